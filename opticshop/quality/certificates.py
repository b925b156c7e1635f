"""The certificate of a passed pair, from the inspection as it was kept: nothing is judged again."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from opticshop.catalogue.models import Frame
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, NotFound
from opticshop.customers.ages import age_on
from opticshop.documents.certificate import (
    CertificateData,
    CertificateLens,
    CertificateLine,
    Statement,
    certificate_pdf,
)
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.wording import in_steps, millimetres, prism, sphere_cylinder
from opticshop.documents.wording import power as in_words
from opticshop.orders import services as orders
from opticshop.orders.models import Order, OrderedLens
from opticshop.plugin_api.tolerances import PARAMETERS
from opticshop.stock.models import Reservation
from opticshop.workshop.models import JobState
from opticshop.workshop.selectors import latest_job

from . import cautions, restricted, visual
from .certificate_statements import statements_for
from .models import Inspection
from .permissions import QualityPermission
from .selectors import latest_inspection

_CERTIFIED = (JobState.INSPECTED, JobState.FINISHED)
_EYES = {"right": "R", "left": "L", "pair": "pair"}
_HELD = (Reservation.State.ACTIVE, Reservation.State.CONSUMED)


class CertificateNotDue(Conflict):
    """Only a pair whose latest inspection passed, and which is inspected or finished, has a certificate."""

    code = "quality.certificate_not_due"
    title = "There is no certificate of this inspection"


def certificate_for(actor: Actor, inspection_id: uuid.UUID) -> tuple[str, bytes]:
    """(number, PDF) of a passed inspection. Raises NotFound, CertificateNotDue."""
    found = (
        Inspection.objects.visible_to(actor, QualityPermission.VIEW)
        .select_related("branch", "job__order__frame", "job__order__prescription", "job__order__customer")
        .select_related("inspected_by", "second_by")
        .prefetch_related("job__order__lenses__product", "used_instruments__instrument")
        .filter(id=inspection_id)
        .first()
    )
    if found is None:
        raise NotFound(f"There is no inspection {inspection_id} here.", field="inspection")
    _check_due(found)
    return found.job.number, certificate_pdf(certificate_data(found))


def _check_due(inspection: Inspection) -> None:
    job = inspection.job
    if not inspection.lets_through:
        word = (
            inspection.outcome if inspection.outcome != Inspection.Outcome.PASS else "not confirmed by a second person"
        )
        raise CertificateNotDue(f"The inspection of job {job.number} is {word}.", field="outcome", allowed=["pass"])
    if job.state not in _CERTIFIED:
        raise CertificateNotDue(f"Job {job.number} is {job.state}.", field="job", allowed=list(map(str, _CERTIFIED)))
    latest = latest_inspection(job)
    if latest is not None and latest.id != inspection.id:
        raise CertificateNotDue(
            f"Job {job.number} was inspected again later.", field="inspection", latest=str(latest.id)
        )
    newest = latest_job(job.order)
    if newest is not None and newest.id != job.id:
        raise CertificateNotDue(f"The pair was made again as {newest.number}.", field="job")


def certificate_data(inspection: Inspection) -> CertificateData:
    branch, job, order = inspection.branch, inspection.job, inspection.job.order
    frame, zone = order.frame, ZoneInfo(branch.time_zone)
    lots = supplied_lots(order)
    lenses = sorted(order.lenses.all(), key=lambda lens: lens.eye, reverse=True)
    lines = [line for line in inspection.verdict["lines"] if line["outcome"] != "not_applicable"]
    second = ""
    if inspection.second_by is not None and inspection.second_at is not None:
        second = f"{_person(inspection.second_by)}, {inspection.second_at.astimezone(zone):%Y-%m-%d %H:%M}"
    return CertificateData(
        letterhead=Letterhead(name=branch.name, address=branch.address, phone=branch.phone),
        number=job.number,
        job_number=job.number,
        order_number=order.number,
        purpose=order.purpose,
        patient_record=str(order.customer_id),
        prescription=str(order.prescription_id),
        prescribed_on=order.prescription.issued_on,
        frame=" ".join(filter(None, (frame.sku, frame.name, frame.get_material_display().lower(), frame.colour))),
        frame_sizes=_sizes(frame),
        frame_lot="the wearer's own frame" if order.frame_is_customers else lots.get("frame", ""),
        lenses=tuple(_lens(lens, lots.get(lens.eye, "")) for lens in lenses),
        lines=tuple(map(_line, lines)),
        standard_title=inspection.verdict["standard_title"],
        standard_key=inspection.standard,
        standard_version=inspection.standard_version,
        leaned_on_unconfirmed=inspection.leaned_on_unconfirmed,
        sources=tuple(dict.fromkeys(line["source"] for line in lines if line.get("source"))),
        seen=tuple(check.words for check in visual.CHECKS if check.name in inspection.visual),
        instruments=tuple(_instrument(used) for used in inspection.used_instruments.all()),
        inspected_by=_person(inspection.inspected_by) if inspection.inspected_by is not None else "not recorded",
        inspected_at=inspection.inspected_at.astimezone(zone),
        second=second,
        statements=statements_for(branch.jurisdiction),
        cautions=_cautions(inspection, lenses),
    )


def supplied_lots(order: Order) -> dict[str, str]:
    """Part (right, left or frame) -> code of the lot of the piece that is in the pair, collected or not."""
    held = Reservation.objects.everywhere("of an order the caller may see").filter(
        document=orders.document_of(order), state__in=_HELD
    )
    return dict(held.order_by("id").values_list("part", "lot__code"))


def _sizes(frame: Frame) -> str:
    a, b, dbl = (millimetres(size) for size in (frame.box_width_mm, frame.box_height_mm, frame.bridge_mm))
    return f"A {a}, B {b}, DBL {dbl} mm"


def _lens(lens: OrderedLens, lot: str) -> CertificateLens:
    product = lens.product
    more = [f"add {in_words(lens.addition_dpt)}"] if lens.addition_dpt else []
    if lens.prism_in_dpt or lens.prism_up_dpt:
        more.append(f"prism base {prism(lens.prism_in_dpt, lens.prism_up_dpt)}")
    made = (product.material, f"index {product.index}", f"Ø {millimetres(product.diameter_mm)} mm", product.coating)
    return CertificateLens(
        eye=lens.eye.upper(),
        power=" ".join((sphere_cylinder(lens.sphere_dpt, lens.cylinder_dpt, lens.axis_deg), *more)),
        product=f"{product.sku} {product.name}",
        make=", ".join(filter(None, made)),
        lot=lot,
    )


def _line(line: Mapping[str, Any]) -> CertificateLine:
    return CertificateLine(
        parameter=PARAMETERS.get(line["parameter"], line["parameter"].replace("_", " ")).capitalize(),
        eye=_EYES[line["eye"]],
        outcome=line["outcome"],
        unit=line["unit"],
        ordered=in_steps(line["ordered"], line["unit"]),
        measured=in_steps(line["measured"], line["unit"]),
        deviation=in_steps(line["deviation"], line["unit"]),
        limit=in_steps(line["limit"], line["unit"]),
        clause=line["clause"],
        confidence=(line["confidence"] or "").replace("_", " "),
    )


def _person(user: Any) -> str:
    return f"{user} ({user.registration_number})" if user.registration_number else str(user)


def _instrument(used: Any) -> str:
    instrument = used.instrument
    serial = f", serial {instrument.serial_number}" if instrument.serial_number else ""
    doubt = f" ({used.flag})" if used.flag else ""
    return f"{instrument.name}{serial}, calibration {used.calibration.replace('_', ' ')}{doubt}"


def _cautions(inspection: Inspection, lenses: list[OrderedLens]) -> tuple[Statement, ...]:
    order, branch = inspection.job.order, inspection.branch
    day = inspection.inspected_at.astimezone(ZoneInfo(branch.time_zone)).date()
    pair = cautions.Pair(
        products=[lens.product for lens in lenses],
        age_on_day=age_on(order.customer.birth_date, day),
        has_rule=branch.jurisdiction in restricted.RULES,
    )
    told = [Statement(each["words"], each["basis"], each["confidence"]) for each in cautions.cautions_for(pair)]
    return (*told, Statement(cautions.CLOSING))
