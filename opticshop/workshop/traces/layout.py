"""Where everything goes on the bench: the pair computed again with the outline as traced, or as assumed without one.

What the order froze (power to supply, centration distances and heights, product) is taken as it is; box, cut-out,
thickness, block and bevel follow from the outline in use. A trace that does not cut out stops nothing here: it is said
loudly, on the paper and in the data.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, cast

from opticshop import optics
from opticshop.catalogue.models import LensProduct
from opticshop.catalogue.selectors import surface_for
from opticshop.core.errors import DomainError
from opticshop.optics.errors import OpticsError
from opticshop.orders.computing import BLANK_ALLOWANCE_MM, CUTTING_MARGIN_MM
from opticshop.orders.models import OrderedLens
from opticshop.tracing import (
    Bevel,
    BlockPosition,
    EdgeNote,
    EdgePoint,
    bevel_for,
    block_positions,
    edge_points,
    mount_notes,
)
from opticshop.tracing.edging import GROOVE_DEPTH_MM, GROOVE_WIDTH_MM, Mount

from ..models import Job
from .models import FrameTrace
from .outlines import EYES, shape_of, stated_size
from .selectors import trace_in_use

Source = Literal["traced", "mirrored", "assumed"]


@dataclass(frozen=True, slots=True)
class Computation:
    """What the optics say of one lens with this outline; ``in_mm`` and ``up_mm`` place the optical centre."""

    result: optics.EyeResult
    profile: optics.EdgeProfile
    edge: list[EdgePoint]
    blocks: list[BlockPosition]
    bevel: Bevel | None
    notes: list[EdgeNote]


@dataclass(frozen=True, slots=True)
class BenchEye:
    """One lens. ``computed`` is None where no such lens can be computed; ``problem`` says why."""

    lens: OrderedLens
    eye: optics.Eye
    source: Source
    outline: optics.Outline
    in_mm: float
    up_mm: float
    computed: Computation | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class BenchLayout:
    job: Job
    trace: FrameTrace | None
    dbl_mm: float
    eyes: tuple[BenchEye, ...]
    warnings: list[dict[str, Any]] = field(default_factory=list)

    @property
    def mount(self) -> Mount:
        return cast(Mount, self.job.order.frame.mount)

    @property
    def groove_mm(self) -> tuple[float, float] | None:
        return (GROOVE_WIDTH_MM, GROOVE_DEPTH_MM) if self.mount == "half_rim" else None


def bench_layout(job: Job) -> BenchLayout:
    """The layout of both lenses of the pair, right first. ``job`` as ``selectors.job_get_for`` gives it."""
    trace = trace_in_use(job)
    frame = job.order.frame
    dbl = float(trace.dbl_mm if trace is not None and trace.dbl_mm is not None else frame.bridge_mm)
    lenses = sorted(job.order.lenses.all(), key=lambda lens: lens.eye, reverse=True)
    eyes = tuple(_eye(lens, job, trace, dbl) for lens in lenses)
    return BenchLayout(job, trace, dbl, eyes, _warnings(trace, eyes))


def _eye(lens: OrderedLens, job: Job, trace: FrameTrace | None, dbl_mm: float) -> BenchEye:
    frame, eye = job.order.frame, EYES[lens.eye]
    a, b, ed = float(frame.box_width_mm), float(frame.box_height_mm), float(frame.effective_diameter_mm)
    source: Source = "assumed"
    outline = None
    if trace is not None:
        shape = shape_of(trace, lens.eye)
        outline, source = shape.outline, "mirrored" if shape.is_mirrored else "traced"
        a, b, ed = outline.a_mm, outline.b_mm, outline.effective_diameter_mm
    boxed = optics.BoxedFrame(a, b, dbl_mm, ed)
    assumed = optics.Outline.superellipse(a, b, optics.superellipse_exponent(a, b, ed))
    distance, height = float(lens.centration_distance_mm), float(lens.centration_height_mm)
    inward = float(optics.decentration_in_mm(boxed.a_mm, dbl_mm, distance))
    upward = float(optics.decentration_up_mm(height, boxed.b_mm))
    placed = (lens, eye, source, outline or assumed, inward, upward)
    try:
        return BenchEye(*placed, _computed(lens, eye, boxed, outline, job, trace))
    except (OpticsError, DomainError) as error:
        return BenchEye(*placed, None, getattr(error, "message", "") or str(error))


def _computed(
    lens: OrderedLens,
    eye: optics.Eye,
    boxed: optics.BoxedFrame,
    outline: optics.Outline | None,
    job: Job,
    trace: FrameTrace | None,
) -> Computation:
    result = optics.compute_eye(
        optics.EyeInput(
            eye=eye,
            power=optics.SpheroCylinder(float(lens.sphere_dpt), float(lens.cylinder_dpt), float(lens.axis_deg or 180)),
            prism=optics.Prism.for_eye(
                eye, base_in_pdpt=float(lens.prism_in_dpt), base_up_pdpt=float(lens.prism_up_dpt)
            ),
            mono_pd_mm=float(lens.centration_distance_mm),
            height_mm=float(lens.centration_height_mm),
        ),
        # The optics take the outline of a right lens and mirror it for a left one.
        optics.FrameInput(
            boxed=boxed, outline=outline if outline is None or eye is optics.Eye.RIGHT else outline.mirrored()
        ),
        lens_input(lens),
    )
    centre = result.optical_centre
    profile = optics.edge_profile(result.lens, result.outline, centre_x_mm=centre.x_mm(eye), centre_y_mm=centre.up_mm)
    edge = edge_points(profile, result.outline, eye)
    mount = cast(Mount, job.order.frame.mount)
    rim = None if trace is None else stated_size(trace, lens.eye, "frame_curve_dpt")
    return Computation(
        result=result,
        profile=profile,
        edge=edge,
        blocks=block_positions(result.outline, in_mm=centre.in_mm, up_mm=centre.up_mm, eye=eye),
        bevel=bevel_for(profile, result.lens, rim_curve_dpt=rim) if mount == "full_rim" else None,
        notes=mount_notes(mount, edge, profile, index=float(lens.product.index)),
    )


def lens_input(lens: OrderedLens) -> optics.LensInput:
    """The lens that is cut, as the order computed it: prism of a finished lens comes from decentring."""
    product = lens.product
    surface = surface_for(product, lens.sphere_dpt)
    has_prism = bool(lens.prism_in_dpt or lens.prism_up_dpt)
    return optics.LensInput(
        index=float(product.index),
        abbe=float(product.abbe),
        density_g_cm3=float(product.density_g_cm3),
        diameter_mm=float(product.diameter_mm),
        usable_diameter_mm=float(product.usable_diameter_mm),
        front_power_dpt=float(surface.front_power_dpt),
        minimum_centre_mm=float(surface.centre_thickness_mm),
        minimum_edge_mm=float(surface.edge_thickness_mm),
        cutting_margin_mm=CUTTING_MARGIN_MM,
        blank_allowance_mm=BLANK_ALLOWANCE_MM,
        prism_by_decentration=product.supply == LensProduct.Supply.FINISHED and has_prism,
    )


_TOLD_WITH_THE_ORDER = frozenset({optics.WarningCode.VERTEX_UNKNOWN})


def _warnings(trace: FrameTrace | None, eyes: tuple[BenchEye, ...]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for each in eyes:
        name = each.lens.eye
        if each.computed is None:
            words = f"The {name} lens cannot be computed with this outline: {each.problem}"
            found.append(_warning("not_computed", words, name))
            continue
        result = each.computed.result
        if not result.cuts_out:
            by = "traced" if trace is not None else "assumed"
            words = (
                f"THE {name.upper()} LENS DOES NOT CUT OUT of this blank by the {by} outline: "
                f"{-result.clearance_mm:.1f} mm are missing, {result.minimum_blank_exact_mm:.1f} mm are needed."
            )
            found.append(_warning("does_not_cut_out", words, name))
        found += [
            _warning(str(note.code), note.message, name)
            for note in result.warnings
            if note.code not in _TOLD_WITH_THE_ORDER
        ]
        found += [
            _warning(note.key, f"{name.capitalize()}: {note.words}", name)
            for note in each.computed.notes
            if note.is_warning
        ]
    found += [_warning(each["code"], each["detail"], each["eye"]) for each in (trace.warnings if trace else [])]
    return found


def _warning(code: str, detail: str, eye: str | None) -> dict[str, Any]:
    return {"code": code, "detail": detail, "eye": eye}
