"""Writes of prescriptions and measurements. Nothing is ever changed: a correction or a new measurement is a new row."""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict
from zoneinfo import ZoneInfo

from django.db import transaction

from opticshop.accounts.access import role_table
from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.customers.ages import age_on
from opticshop.customers.merged import refuse_merged
from opticshop.customers.models import Customer

from . import events, selectors
from .measured import Measured, doubts_about_measured, refuse_impossible
from .models import DispensingOverride, Measurement, PrescribedEye, PrescribedPrism, Prescription
from .permissions import PrescriptionPermission as Permission
from .refusals import refuse_implausible
from .validity import OVERRIDE_LONGEST_DAYS, Status, expiry_of, first_day_of, status_on
from .written import WrittenPrescription


class PrescriptionSuperseded(Conflict):
    """The prescription was amended; only the current version can be amended or dispensed."""

    code = "prescriptions.superseded"
    title = "A newer version of this prescription exists"


class PrescriptionExpired(Conflict):
    """The last day of use has passed and no leave to dispense covers today."""

    code = "prescriptions.expired"
    title = "The prescription has expired"


class NotExpired(Conflict):
    """Leave to dispense is only given for an expired prescription; this one can be used as it is."""

    code = "prescriptions.not_expired"
    title = "The prescription has not expired"


class OverrideDayImplausible(Invalid):
    """Leave to dispense ends before today, or is longer than an exception can be."""

    code = "prescriptions.override_day_implausible"
    title = "The override cannot last until that day"


class TakenInFuture(Invalid):
    """A measurement is dated later than now."""

    code = "prescriptions.taken_in_future"
    title = "The measurement is dated in the future"


class TakenBeforeBirth(Invalid):
    """A measurement is dated before the customer was born, or before anybody living was."""

    code = "prescriptions.taken_before_birth"
    title = "The measurement is older than the person"


def prescription_record(*, actor: Actor, customer: Customer, written: WrittenPrescription) -> Prescription:
    """Record a prescription as written, at the customer's branch. Raises what `refusals` names."""
    actor.require(Permission.RECORD, customer.branch_id)
    refuse_merged(actor, customer)
    with transaction.atomic():
        prescription = _write(actor, customer.branch, customer, written)
        _record(events.PRESCRIPTION_RECORDED, prescription, actor)
    return prescription


def prescription_amend(
    *, actor: Actor, prescription: Prescription, written: WrittenPrescription, reason: str
) -> Prescription:
    """Supersede a prescription by a corrected one from its prescriber; the original stays as it was.

    Raises PrescriptionSuperseded, naming the current version, when it was amended already.
    """
    actor.require(Permission.RECORD, prescription.branch_id)
    with transaction.atomic():
        lock_rows(Prescription.objects.everywhere("permission checked above").filter(id=prescription.id))
        _refuse_superseded(prescription)
        amended = _write(
            actor,
            prescription.branch,
            prescription.customer,
            written,
            supersedes=prescription,
            amendment_reason=reason,
        )
        _record(events.PRESCRIPTION_AMENDED, amended, actor, supersedes=str(prescription.id))
    return amended


def override_grant(
    *, actor: Actor, prescription: Prescription, reason: str, valid_until: dt.date | None = None
) -> DispensingOverride:
    """Give leave, with its reason, to dispense an expired prescription until a day, today if none is named."""
    actor.require(Permission.OVERRIDE, prescription.branch_id)
    today = clock.today(prescription.branch.time_zone)
    last = today + dt.timedelta(days=OVERRIDE_LONGEST_DAYS)
    until = valid_until or today
    with transaction.atomic():
        _refuse_superseded(prescription)
        if status_on(today, expires_on=prescription.expires_on, is_superseded=False) is Status.CURRENT:
            raise NotExpired(f"It can be used until {prescription.expires_on}.", field="prescription")
        if not today <= until <= last:
            raise OverrideDayImplausible(
                f"Leave until {until} cannot be given on {today}.", field="valid_until", allowed=f"{today} to {last}"
            )
        override = DispensingOverride(
            branch=prescription.branch,
            prescription=prescription,
            reason=reason,
            granted_by_id=actor.id,
            valid_until=until,
        )
        override.save(force_insert=True)
        _record(events.OVERRIDE_GRANTED, prescription, actor, override=str(override.id))
    return override


def dispensing_leave(*, prescription: Prescription, branch: Branch) -> DispensingOverride | None:
    """Whether an order may be placed today, on the branch's day: the override that is used, None if none is needed.

    Raises PrescriptionSuperseded, or PrescriptionExpired when no override covers the day.
    """
    _refuse_superseded(prescription)
    today = clock.today(branch.time_zone)
    if status_on(today, expires_on=prescription.expires_on, is_superseded=False) is Status.CURRENT:
        return None
    override = selectors.override_on(prescription, today)
    if override is None:
        roles = sorted(role for role, held in role_table().items() if Permission.OVERRIDE in held)
        raise PrescriptionExpired(
            f"It could be used until {prescription.expires_on} ({prescription.expiry_source}). It needs a new "
            f"prescription, or an override with its reason granted by: {', '.join(roles)}.",
            field="prescription",
            allowed=f"POST /api/v1/prescriptions/{prescription.id}/override/",
            expired_on=str(prescription.expires_on),
            permission=str(Permission.OVERRIDE),
            roles=roles,
        )
    return override


def measurement_take(
    *,
    actor: Actor,
    customer: Customer,
    measured: Measured,
    frame: Frame | None = None,
    taken_at: dt.datetime | None = None,
) -> Measurement:
    """Record what was measured on a customer's face, now if no moment is named. Raises what `measured` names."""
    actor.require(Permission.MEASURE, customer.branch_id)
    refuse_merged(actor, customer)
    moment = taken_at or clock.now()
    age = _age_when_taken(customer, moment)
    frame_height_mm = frame.box_height_mm if frame else None
    complete = measured.completed()
    refuse_impossible(complete, age=age, frame_height_mm=frame_height_mm)
    doubts = doubts_about_measured(complete, age=age, frame_height_mm=frame_height_mm)
    with transaction.atomic():
        measurement = Measurement(
            branch=customer.branch,
            customer=customer,
            frame=frame,
            taken_at=moment,
            taken_by_id=actor.id,
            warnings=[doubt.as_dict() for doubt in doubts],
            **asdict(complete),
        )
        measurement.save(force_insert=True)
        outbox.record(
            event_type=events.MEASUREMENT_TAKEN,
            subject=f"measurements/{measurement.id}",
            actor=actor,
            branch_id=measurement.branch_id,
            data={
                "measurement": str(measurement.id),
                "customer": str(customer.id),
                "frame": str(frame.id) if frame else None,
            },
        )
    return measurement


def _age_when_taken(customer: Customer, moment: dt.datetime) -> int | None:
    """Age in years on the branch's day of that moment, None without a birth date. Raises where it cannot be."""
    now, zone = clock.now(), ZoneInfo(customer.branch.time_zone)
    if moment > now:
        raise TakenInFuture(f"{moment.isoformat()} has not come yet.", field="taken_at", allowed="up to now")
    first = first_day_of(customer.birth_date, now.date())
    if moment < dt.datetime.combine(first, dt.time(), zone):
        raise TakenBeforeBirth(
            f"{moment.isoformat()} is before the customer was born.", field="taken_at", allowed=f"from {first} to now"
        )
    return age_on(customer.birth_date, moment.astimezone(zone).date())


def _refuse_superseded(prescription: Prescription) -> None:
    latest = selectors.latest_of(prescription)
    if latest.id != prescription.id:
        raise PrescriptionSuperseded(
            f"It was superseded; the current version is {latest.id}.",
            field="prescription",
            allowed=str(latest.id),
            current=str(latest.id),
        )


def _write(
    actor: Actor,
    branch: Branch,
    customer: Customer,
    written: WrittenPrescription,
    *,
    supersedes: Prescription | None = None,
    amendment_reason: str = "",
) -> Prescription:
    refuse_implausible(written, today=clock.today(branch.time_zone), born_on=customer.birth_date)
    expiry = expiry_of(
        stated=written.expires_on,
        issued_on=written.issued_on,
        jurisdiction=branch.jurisdiction,
        born_on=customer.birth_date,
    )
    prescription = Prescription(
        branch=branch,
        customer=customer,
        purpose=written.purpose,
        issued_on=written.issued_on,
        expires_on=expiry.expires_on,
        expiry_source=expiry.source,
        prescriber_name=written.prescriber_name,
        prescriber_registration=written.prescriber_registration,
        prescriber_practice=written.prescriber_practice,
        recall_months=written.recall_months,
        vertex_distance_mm=written.vertex_distance_mm,
        note=written.note,
        supersedes=supersedes,
        amendment_reason=amendment_reason,
        recorded_by_id=actor.id,
    )
    prescription.save(force_insert=True)
    _write_eyes(prescription, written)
    return prescription


def _write_eyes(prescription: Prescription, written: WrittenPrescription) -> None:
    prisms: list[PrescribedPrism] = []
    rows: list[PrescribedEye] = []
    for side, eye in written.eyes:
        row = PrescribedEye(
            prescription=prescription,
            eye=side,
            entry=eye.entry,
            sphere_dpt=eye.sphere_dpt,
            cylinder_dpt=eye.cylinder_dpt,
            axis_deg=eye.axis_deg,
            addition_dpt=eye.addition_dpt,
        )
        rows.append(row)
        prisms += [
            PrescribedPrism(eye=row, amount_dpt=prism.amount_dpt, base=prism.base, base_deg=prism.base_deg)
            for prism in eye.prisms
        ]
    PrescribedEye.objects.bulk_create(rows)
    PrescribedPrism.objects.bulk_create(prisms)


def _record(event_type: str, prescription: Prescription, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"prescriptions/{prescription.id}",
        actor=actor,
        branch_id=prescription.branch_id,
        data={"prescription": str(prescription.id), "customer": str(prescription.customer_id), **more},
    )
