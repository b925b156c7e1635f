"""The papers of a job: the bench ticket and the layout drawing, from the frozen order and the state of the steps."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from opticshop.core import clock
from opticshop.documents.cautions import cautions_for
from opticshop.documents.job_ticket import ticket_pdf
from opticshop.documents.layout import layout_svg
from opticshop.documents.layout_data import LayoutData, LayoutEye
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.ticket_data import TicketData, TicketEye, TicketFrame, TicketStep
from opticshop.documents.wording import sphere_cylinder
from opticshop.optics.boxing import decentration_in_mm, decentration_up_mm
from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline, superellipse_exponent
from opticshop.orders.models import OrderedLens
from opticshop.orders.services import age_on

from .models import Job, JobStep
from .selectors import held_lots

#: Below this age a pair is made as a child's (common practice, no source); it only adds a caution to the ticket.
CHILD_BELOW = 16
EYES = {"right": Eye.RIGHT, "left": Eye.LEFT}
_NOTE_LENGTH = 200
#: The drawing needs no finer outline than this.
_OUTLINE_POINTS = 180


def ticket(job: Job) -> bytes:
    """The bench ticket as PDF. ``job`` as ``selectors.job_get_for`` gives it."""
    return ticket_pdf(ticket_data(job))


def layout(job: Job) -> str:
    """The layout drawing as SVG, true to size."""
    return layout_svg(layout_data(job))


def ticket_data(job: Job) -> TicketData:
    order, branch = job.order, job.branch
    frame = order.frame
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
        eyes=tuple(_ticket_eye(lens, job, lots.get(lens.eye, "")) for lens in _lenses(job)),
        steps=tuple(_ticket_step(step) for step in job.steps.all()),
        cautions=cautions_for(wearer_is_child=age is not None and age < CHILD_BELOW),
        layout=layout_data(job),
        attempt=job.attempt,
        remake_reason=job.remake_reason,
        purpose=order.purpose,
        notes=tuple(_notes(job)),
        printed_at=clock.now().astimezone(ZoneInfo(branch.time_zone)),
    )


def layout_data(job: Job) -> LayoutData:
    frame = job.order.frame
    return LayoutData(
        eyes=tuple(_layout_eye(lens, job) for lens in _lenses(job)),
        dbl_mm=float(frame.bridge_mm),
        title=f"Job {job.number}",
        subtitle=f"{frame.name}, order {job.order.number}",
    )


def _lenses(job: Job) -> list[OrderedLens]:
    """Both lenses of the pair, right first, whichever are made in this attempt."""
    return sorted(job.order.lenses.all(), key=lambda lens: lens.eye, reverse=True)


def _figures(lens: OrderedLens, job: Job) -> dict[str, Any]:
    """What was computed for the eye when the order was placed."""
    found: dict[str, Any] = job.order.computation.get(lens.eye) or {}
    return found


def _centration(lens: OrderedLens, job: Job) -> tuple[float, float]:
    """The centration point from the boxed centre: (nasally, upward) in mm."""
    frame = job.order.frame
    inward = decentration_in_mm(float(frame.box_width_mm), float(frame.bridge_mm), float(lens.centration_distance_mm))
    return float(inward), float(decentration_up_mm(float(lens.centration_height_mm), float(frame.box_height_mm)))


def _layout_eye(lens: OrderedLens, job: Job) -> LayoutEye:
    frame, figures = job.order.frame, _figures(lens, job)
    a, b, ed = (float(size) for size in (frame.box_width_mm, frame.box_height_mm, frame.effective_diameter_mm))
    exponent = figures.get("outline_exponent") or superellipse_exponent(a, b, ed)
    outline = Outline.superellipse(a, b, exponent, points=_OUTLINE_POINTS)
    inward, upward = _centration(lens, job)
    return LayoutEye(
        eye=EYES[lens.eye],
        outline_mm=tuple((float(x), float(y)) for x, y in outline.points_mm),
        a_mm=a,
        b_mm=b,
        in_mm=inward,
        up_mm=upward,
        blank_diameter_mm=float(lens.product.diameter_mm),
        usable_diameter_mm=float(lens.product.usable_diameter_mm),
        axis_deg=None if lens.axis_deg is None else float(lens.axis_deg),
        label=sphere_cylinder(lens.sphere_dpt, lens.cylinder_dpt, lens.axis_deg),
        **_moved_centre(figures, inward, upward),
    )


def _moved_centre(figures: dict[str, Any], inward: float, upward: float) -> dict[str, float]:
    """Where the optical centre lies when it is not laid on the centration point (prism made by decentring)."""
    centre = figures.get("decentration_in_mm"), figures.get("decentration_up_mm")
    if centre[0] is None or centre[1] is None or max(abs(centre[0] - inward), abs(centre[1] - upward)) < 0.01:
        return {}
    return {"optical_centre_in_mm": centre[0], "optical_centre_up_mm": centre[1]}


def _ticket_eye(lens: OrderedLens, job: Job, lot: str) -> TicketEye:
    product, figures = lens.product, _figures(lens, job)
    inward, upward = _centration(lens, job)
    return TicketEye(
        eye=EYES[lens.eye],
        sphere_dpt=lens.sphere_dpt,
        cylinder_dpt=lens.cylinder_dpt,
        axis_deg=lens.axis_deg,
        product_sku=product.sku,
        product_name=product.name,
        index=product.index,
        diameter_mm=product.diameter_mm,
        centration_distance_mm=lens.centration_distance_mm,
        centration_height_mm=lens.centration_height_mm,
        decentration_in_mm=figures.get("decentration_in_mm", inward),
        decentration_up_mm=figures.get("decentration_up_mm", upward),
        addition_dpt=lens.addition_dpt,
        prism_in_dpt=lens.prism_in_dpt,
        prism_up_dpt=lens.prism_up_dpt,
        lot=lot,
        blank=f"{product.get_supply_display()}, usable {product.usable_diameter_mm:g} mm",
        minimum_blank_mm=figures.get("minimum_blank_exact_mm"),
        cuts_out=figures.get("cuts_out"),
        clearance_mm=figures.get("clearance_mm"),
        centre_thickness_mm=figures.get("centre_thickness_mm"),
        edge_thinnest_mm=figures.get("edge_thinnest_mm"),
        edge_thickest_mm=figures.get("edge_thickest_mm"),
    )


def _ticket_step(step: JobStep) -> TicketStep:
    done = step.state == JobStep.State.DONE
    return TicketStep(
        position=step.position,
        label=step.get_kind_display(),
        done_by=str(step.by or "") if done else "",
        skipped=step.state == JobStep.State.SKIPPED,
    )


def _notes(job: Job) -> list[str]:
    """Short lines for the bench: what is made, what is missing, why it stopped, what the optics warned of."""
    order = job.order
    notes = []
    if len(job.eyes) < len(order.lenses.all()):
        notes.append(f"Only the {job.eyes[0]} lens is made in this attempt.")
    if job.awaited_eyes:
        notes.append(f"Awaited: {' and '.join(job.awaited_eyes)} lens.")
    if job.stop_reason:
        notes.append(job.stop_reason)
    notes += [f"{lost.eye.capitalize()} lens lost at {lost.step}: {lost.reason}" for lost in job.breakages.all()]
    notes += [str(warning["detail"]) for warning in order.warnings]
    if order.note:
        notes.append(order.note)
    return [note[:_NOTE_LENGTH] for note in notes]
