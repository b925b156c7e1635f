"""The papers of a job: the bench ticket and the layout drawing, from the frozen order and the state of the steps."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any
from zoneinfo import ZoneInfo

from opticshop.core import clock
from opticshop.customers.ages import age_on
from opticshop.documents.cautions import cautions_for
from opticshop.documents.job_ticket import ticket_pdf
from opticshop.documents.layout import layout_svg
from opticshop.documents.layout_data import LayoutData, LayoutEye
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.ticket_data import TicketData, TicketEye, TicketFrame, TicketStep
from opticshop.documents.wording import millimetres, sphere_cylinder, tenths
from opticshop.tracing import EdgePoint
from opticshop.tracing.edging import GROOVE_DEPTH_MM, GROOVE_WIDTH_MM

from .models import Job, JobStep
from .selectors import held_lots
from .traces.layout import BenchEye, BenchLayout, Computation, bench_layout

#: Below this age a pair is made as a child's (common practice, no source); it only adds a caution to the ticket.
CHILD_BELOW = 16
_NOTE_LENGTH = 200
_SAME_MM = 0.01
_SHAPES = {"traced": "shape as traced", "mirrored": "shape mirrored from the other eye", "assumed": "shape ASSUMED"}
#: Told anew from the outline in use; what the order said of it when it was placed may no longer hold.
_OF_THE_OUTLINE = frozenset(
    {"outline_assumed", "outline_differs_from_boxed_size", "blank_too_small", "blank_fits_shifted"}
)
#: The drawing needs no more points than this.
_OUTLINE_POINTS = 400
_LOUD = frozenset({"does_not_cut_out", "not_computed"})
#: Stands in the table of the ticket already.
_IN_THE_TABLE = frozenset({"blank_too_small", "blank_fits_shifted", "outline_differs_from_boxed_size"})
_EDGE_WORK = {
    "groove": f"flat edge, groove {GROOVE_WIDTH_MM:g} wide, {GROOVE_DEPTH_MM:g} deep",
    "drill": "flat edge; holes from the demo lens",
    "edge_too_thin": "THIN for this mount",
}


def ticket(job: Job) -> bytes:
    """The bench ticket as PDF. ``job`` as ``selectors.job_get_for`` gives it."""
    return ticket_pdf(ticket_data(job))


def layout(job: Job) -> str:
    """The layout drawing as SVG, true to size."""
    return layout_svg(layout_data(job))


def ticket_data(job: Job) -> TicketData:
    order, branch = job.order, job.branch
    frame, bench = order.frame, bench_layout(job)
    lots = held_lots(order)
    age = age_on(order.customer.birth_date, clock.today(branch.time_zone))
    return TicketData(
        letterhead=Letterhead(name=branch.name, address=branch.address, phone=branch.phone),
        job_number=job.number,
        order_number=order.number,
        promised_on=job.promised_on,
        tray_code=job.number,
        frame=TicketFrame(
            sku=frame.sku,
            name=frame.name,
            material=frame.get_material_display(),
            a_mm=float(frame.box_width_mm),
            b_mm=float(frame.box_height_mm),
            dbl_mm=float(frame.bridge_mm),
            ed_mm=float(frame.effective_diameter_mm),
            is_customers=order.frame_is_customers,
        ),
        eyes=tuple(_ticket_eye(each, lots.get(each.lens.eye, "")) for each in bench.eyes),
        steps=tuple(_ticket_step(step) for step in job.steps.all()),
        cautions=cautions_for(wearer_is_child=age is not None and age < CHILD_BELOW),
        layout=_drawing(bench),
        attempt=job.attempt,
        remake_reason=job.remake_reason,
        purpose=order.purpose,
        notes=tuple(_notes(bench)),
        printed_at=clock.now().astimezone(ZoneInfo(branch.time_zone)),
    )


def layout_data(job: Job) -> LayoutData:
    return _drawing(bench_layout(job))


def _drawing(bench: BenchLayout) -> LayoutData:
    order = bench.job.order
    return LayoutData(
        eyes=tuple(_layout_eye(each) for each in bench.eyes),
        dbl_mm=bench.dbl_mm,
        title=f"Job {bench.job.number}",
        subtitle=f"{order.frame.name}, order {order.number}",
        warnings=tuple(each["detail"] for each in bench.warnings if each["code"] in _LOUD),
    )


def _layout_eye(each: BenchEye) -> LayoutEye:
    lens, done = each.lens, each.computed
    points = each.outline.points_mm[:: math.ceil(len(each.outline) / _OUTLINE_POINTS)]
    centre = None if done is None else done.result.optical_centre
    is_moved = centre is not None and max(abs(centre.in_mm - each.in_mm), abs(centre.up_mm - each.up_mm)) >= _SAME_MM
    return LayoutEye(
        eye=each.eye,
        outline_mm=tuple((float(x), float(y)) for x, y in points),
        a_mm=each.outline.a_mm,
        b_mm=each.outline.b_mm,
        in_mm=each.in_mm,
        up_mm=each.up_mm,
        blank_diameter_mm=float(lens.product.diameter_mm),
        usable_diameter_mm=float(lens.product.usable_diameter_mm),
        axis_deg=None if lens.axis_deg is None else float(lens.axis_deg),
        label=sphere_cylinder(lens.sphere_dpt, lens.cylinder_dpt, lens.axis_deg),
        optical_centre_in_mm=centre.in_mm if centre is not None and is_moved else None,
        optical_centre_up_mm=centre.up_mm if centre is not None and is_moved else None,
        shape=_SHAPES[each.source],
        shape_is_assumed=each.source == "assumed",
        edge_mm=() if done is None else tuple(_edge(point) for point in done.edge),
    )


def _edge(point: EdgePoint) -> tuple[float, float, float]:
    turn = math.radians(point.direction_deg)
    return point.radius_mm * math.cos(turn), point.radius_mm * math.sin(turn), point.thickness_mm


def _ticket_eye(each: BenchEye, lot: str) -> TicketEye:
    lens, product, done = each.lens, each.lens.product, each.computed
    result = None if done is None else done.result
    centre = None if result is None else result.optical_centre
    return TicketEye(
        eye=each.eye,
        sphere_dpt=lens.sphere_dpt,
        cylinder_dpt=lens.cylinder_dpt,
        axis_deg=lens.axis_deg,
        product_sku=product.sku,
        product_name=product.name,
        index=product.index,
        diameter_mm=product.diameter_mm,
        centration_distance_mm=lens.centration_distance_mm,
        centration_height_mm=lens.centration_height_mm,
        decentration_in_mm=each.in_mm if centre is None else centre.in_mm,
        decentration_up_mm=each.up_mm if centre is None else centre.up_mm,
        addition_dpt=lens.addition_dpt,
        prism_in_dpt=lens.prism_in_dpt,
        prism_up_dpt=lens.prism_up_dpt,
        lot=lot,
        blank=f"{product.get_supply_display()}, usable {millimetres(product.usable_diameter_mm)} mm",
        minimum_blank_mm=None if result is None else result.minimum_blank_exact_mm,
        cuts_out=None if result is None else result.cuts_out,
        clearance_mm=None if result is None else result.clearance_mm,
        centre_thickness_mm=None if result is None else result.centre_thickness_mm,
        edge_thinnest_mm=None if result is None else result.thinnest_edge_mm,
        edge_thickest_mm=None if result is None else result.thickest_edge_mm,
        shape=_SHAPES[each.source],
        bevel="" if done is None else _bevel(done),
    )


def _bevel(done: Computation) -> str:
    """What the edge of this lens asks for, in a few words; the reasons stand in the layout data."""
    bevel = done.bevel
    if bevel is None:
        return "; ".join(_EDGE_WORK[note.key] for note in done.notes if note.key in _EDGE_WORK)
    if bevel.place == "base_curve":
        return f"bevel on the curve of the rim, {bevel.curve_dpt:.1f}"
    thin, thick = (tenths(apex) for apex in bevel.apex_mm)
    where = f"apex {thin} to {thick} behind the front" if thin != thick else f"apex {thin} behind the front"
    return f"bevel at {bevel.front_share:.0%}, {where}" if bevel.front_share else f"bevel {where}"


def _ticket_step(step: JobStep) -> TicketStep:
    done = step.state == JobStep.State.DONE
    return TicketStep(
        position=step.position,
        label=step.get_kind_display(),
        done_by=str(step.by or "") if done else "",
        skipped=step.state == JobStep.State.SKIPPED,
    )


def _notes(layout: BenchLayout) -> list[str]:
    """Short lines for the bench: what is made, what is missing, why it stopped, what the optics and the trace say."""
    job, order = layout.job, layout.job.order
    notes = []
    if len(job.eyes) < len(order.lenses.all()):
        notes.append(f"Only the {job.eyes[0]} lens is made in this attempt.")
    if job.awaited_eyes:
        notes.append(f"Awaited: {' and '.join(job.awaited_eyes)} lens.")
    if job.stop_reason:
        notes.append(job.stop_reason)
    notes += [f"{lost.eye.capitalize()} lens lost at {lost.step}: {lost.reason}" for lost in job.breakages.all()]
    told = [warning for warning in order.warnings if warning["code"] not in _OF_THE_OUTLINE]
    notes += _each_once([*told, *(each for each in layout.warnings if each["code"] not in _IN_THE_TABLE)])
    if order.note:
        notes.append(order.note)
    return [note[:_NOTE_LENGTH] for note in notes]


def _each_once(warnings: Iterable[dict[str, Any]]) -> list[str]:
    """What holds for both lenses is said once; what holds for one names its eye."""
    eyes: dict[str, list[str]] = {}
    for warning in warnings:
        named = eyes.setdefault(str(warning["detail"]), [])
        if warning.get("eye") and warning["eye"] not in named:
            named.append(warning["eye"])
    return [_addressed(words, named) for words, named in eyes.items()]


def _addressed(words: str, eyes: list[str]) -> str:
    if not eyes or any(eye in words.lower() for eye in eyes):
        return words
    return f"{'Both lenses' if len(eyes) == 2 else f'{eyes[0].capitalize()} lens'}: {words}"
