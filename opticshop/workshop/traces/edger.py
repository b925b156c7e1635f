"""The records of a job for an edger, from its layout: no word about the wearer."""

from __future__ import annotations

from opticshop.core.errors import Conflict
from opticshop.tracing import EdgerEye, EdgerJob, TraceError, edger_records

from ..models import Job
from .layout import BenchEye, BenchLayout, bench_layout
from .outlines import EYES


class RecordsImpossible(Conflict):
    """The traced outline cannot be told as one radius an angle, which is all these records can say."""

    code = "workshop.records_impossible"
    title = "This outline cannot be written as records"


def records_for(job: Job) -> bytes:
    """The file. ``job`` as ``selectors.job_get_for`` gives it. Raises RecordsImpossible."""
    layout = bench_layout(job)
    order, frame = job.order, job.order.frame
    is_single = all(each.lens.product.kind == "single_vision" for each in layout.eyes)
    try:
        return edger_records(
            EdgerJob(
                number=job.number,
                eyes={each.eye: _eye(each, layout) for each in layout.eyes},
                made=frozenset(EYES[eye] for eye in job.eyes),
                dbl_mm=layout.dbl_mm,
                frame_name=frame.name,
                frame_maker=frame.maker,
                frame_size_mm=float(frame.box_width_mm),
                frame_material=frame.material,
                mount=layout.mount,
                is_near=order.purpose == "near" and is_single,
                groove_mm=layout.groove_mm,
            )
        )
    except TraceError as error:
        raise RecordsImpossible(error.reason, field="trace") from error


def _eye(each: BenchEye, layout: BenchLayout) -> EdgerEye:
    lens, product = each.lens, each.lens.product
    has_shape = each.source != "assumed"
    return EdgerEye(
        sphere_dpt=lens.sphere_dpt,
        cylinder_dpt=lens.cylinder_dpt,
        axis_deg=lens.axis_deg,
        addition_dpt=lens.addition_dpt,
        prism_in_dpt=lens.prism_in_dpt,
        prism_up_dpt=lens.prism_up_dpt,
        distance_mm=lens.centration_distance_mm,
        height_mm=lens.centration_height_mm,
        index=product.index,
        material=product.material,
        kind=product.kind,
        a_mm=each.outline.a_mm,
        b_mm=each.outline.b_mm,
        ed_mm=each.outline.effective_diameter_mm,
        outline=each.outline if has_shape else None,
        bevel=None if each.computed is None else each.computed.bevel,
    )
