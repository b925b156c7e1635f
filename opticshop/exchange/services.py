"""Taking in what others wrote: through the services of the house, once per outside identifier, all or nothing."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field, replace
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Invalid
from opticshop.customers.contacting import identity_of
from opticshop.customers.models import Customer
from opticshop.customers.permissions import CustomerPermission
from opticshop.customers.selectors import customers_visible_to
from opticshop.customers.serializers import CustomerRegisterIn
from opticshop.customers.services import customer_register
from opticshop.prescriptions.computing import computed
from opticshop.prescriptions.doubts import doubts_about
from opticshop.prescriptions.models import Prescription
from opticshop.prescriptions.permissions import PrescriptionPermission
from opticshop.prescriptions.serializers import PrescriptionRecordIn, written_from
from opticshop.prescriptions.services import prescription_record
from opticshop.prescriptions.written import WrittenPrescription, as_written

from . import events, reading, selectors
from .checking import issues_in
from .issues import Issue, ResourceRefused
from .messages import Entry, Message
from .models import OutsideIdentifier
from .permissions import ExchangePermission
from .searching import uuid_from
from .vocabulary import PATIENT, PRACTITIONER, VISION_PRESCRIPTION, System

Kind = OutsideIdentifier.Kind


class RecordedOtherwise(ResourceRefused):
    """The identifier is known already, for other values or another person. Nothing is overwritten: a corrected
    prescription is recorded as an amendment, by somebody who has looked at both."""

    code = "exchange.recorded_otherwise"
    title = "The identifier is known for something else"
    status = 409


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of one entry of a message: our row, whether it is new, and what should be looked at again."""

    entry: Entry
    row: Customer | Prescription
    is_new: bool
    warnings: list[Issue] = field(default_factory=list)


def message_take_in(*, actor: Actor, message: Message) -> list[TakenIn]:
    """Record the prescriptions of a message, and its patient if not known, in the order of its entries.

    A message that was taken in before changes nothing. Raises ResourceRefused, or RecordedOtherwise.
    """
    try:
        return _take_in(actor, message)
    except IntegrityError:  # the same message arrived twice at one moment; what the other wrote is found now
        return _take_in(actor, message)


def _take_in(actor: Actor, message: Message) -> list[TakenIn]:
    done: dict[str, TakenIn] = {}
    with transaction.atomic():
        for entry in message.prescriptions:
            customer = _customer_of(actor, message, entry, done)
            prescriber, source = _prescriber_of(actor, message, entry)
            done[entry.path] = _prescription_take_in(actor, entry, customer, prescriber)
            if source is not None:
                done.setdefault(source.path, replace(done[entry.path], entry=source, warnings=[]))
        if idle := [entry for entry in message.entries if entry.path not in done]:
            raise ResourceRefused([Issue("invalid", "No prescription names this.", entry.path) for entry in idle])
    return [done[entry.path] for entry in message.entries]


# --- the patient ------------------------------------------------------------------------------------------------------


def _customer_of(actor: Actor, message: Message, entry: Entry, done: dict[str, TakenIn]) -> Customer:
    """Whom a prescription is for: the patient of the message, or one of ours that it names."""
    reference, path = entry.resource["patient"], f"{entry.path}.patient"
    named = message.named(reference.get("reference", ""))
    if named is not None:
        _refuse_other(named, PATIENT, path)
        if named.path not in done:
            done[named.path] = _patient_take_in(actor, named)
        return done[named.path].row  # type: ignore[return-value]
    identifier = reference.get("identifier", {})
    found = _admitted(actor).filter(pk=_own_id(reference.get("reference", ""), PATIENT)).first()
    if found is None and "reference" not in reference and identifier.get("system") and identifier.get("value"):
        found = _known_customer(actor, [(identifier["system"], identifier["value"])], None, path)
    if found is None:
        raise _refused("not-found", "There is no such patient, neither in the message nor here.", path)
    return found


def _patient_take_in(actor: Actor, entry: Entry) -> TakenIn:
    patient, path = entry.resource, entry.path
    identifiers = reading.identifiers_of(patient, path)
    code = reading.branch_code_of(patient)
    known = _known_customer(actor, identifiers, code, path)
    if known is not None:
        return TakenIn(entry, known, False, _differences(known, patient, path))
    if any(system == System.CUSTOMER for system, _ in identifiers):
        raise _refused("not-found", "We did not give out this customer number.", f"{path}.identifier")
    branch = _branch_of(actor, code, path)
    body = reading.customer_body(patient, path)
    shape = CustomerRegisterIn(data={"branch": str(branch.id), **body})
    if not shape.is_valid():
        raise reading.misfits(shape.errors, patient, path)
    details = {name: value for name, value in shape.validated_data.items() if name != "branch"}
    try:
        registered = customer_register(actor=actor, branch=branch, **details)
    except Invalid as error:
        raise reading.refusal(error, patient, path) from error
    _remember(Kind.PATIENT, branch, identifiers, customer=registered.customer)
    warnings = [
        Issue("duplicate", f"{PATIENT}/{one.id} may be the same person.", path, severity="warning")
        for one in registered.near_duplicates
    ]
    if "birthDate" in patient and "birth_date" not in body:
        text = "Not a whole day, so registered without a birth date."
        warnings.append(Issue("incomplete", text, f"{path}.birthDate", severity="warning"))
    return TakenIn(entry, registered.customer, True, warnings)


def _known_customer(
    actor: Actor, identifiers: reading.Identifiers, branch_code: str | None, path: str
) -> Customer | None:
    """The customer whom any of these numbers names, in the branches in which the actor may take in."""
    found: dict[uuid.UUID, Customer] = {}
    for system, value in identifiers:
        rows = _admitted(actor) if branch_code is None else _admitted(actor).filter(branch__code=branch_code)
        if system == System.CUSTOMER:
            rows = rows.filter(pk=uuid_from(value))  # type: ignore[misc]
        else:
            outside = selectors.outside_identifiers(Kind.PATIENT).filter(system=system, value=value)
            rows = rows.filter(id__in=outside.values("customer"))
        found |= {row.id: row for row in rows[:2]}
    if len(found) > 1:
        text = "The identifiers name several people here; say the branch in Patient.managingOrganization."
        raise _refused("multiple-matches", text, f"{path}.identifier")
    return next(iter(found.values()), None)


def _differences(customer: Customer, patient: dict[str, Any], path: str) -> list[Issue]:
    """A known person is not changed by a message. Raises RecordedOtherwise where it must be somebody else."""
    sent, ours = reading.birth_date_of(patient), customer.birth_date
    if sent and ours and sent != ours.isoformat():
        text = "This number belongs to somebody with another birth date here."
        raise RecordedOtherwise([Issue("conflict", text, f"{path}.birthDate", RecordedOtherwise.code)])
    name = reading.name_of(patient)
    if name is None or name == (customer.family_name, customer.given_name):
        return []
    return [Issue("conflict", "The name is another one here; ours was kept.", f"{path}.name", severity="warning")]


def _branch_of(actor: Actor, code: str | None, path: str) -> Branch:
    """The branch at which a new patient is registered: the one that is named, or the only one it can be."""
    where = actor.where(ExchangePermission.ADMIT)
    branches = Branch.objects.filter(is_active=True) if where is ALL else Branch.objects.filter(id__in=where)
    found = list((branches if code is None else branches.filter(code=code))[:2])
    if len(found) != 1:
        text = f"Say the branch by its code: Patient.managingOrganization.identifier, system {System.BRANCH.value}."
        raise _refused("required", text, f"{path}.managingOrganization")
    actor.require(CustomerPermission.VIEW, found[0].id)
    return branch_get_for(actor, found[0].id, permission=ExchangePermission.ADMIT)


def _admitted(actor: Actor) -> Any:
    """Customers of the branches in which the actor may take in."""
    return customers_visible_to(actor).visible_to(actor, ExchangePermission.ADMIT).select_related("branch")


# --- the prescriber ---------------------------------------------------------------------------------------------------


def _prescriber_of(actor: Actor, message: Message, entry: Entry) -> tuple[dict[str, str], Entry | None]:
    """Name, registration and practice, and the entry that they stand in where they came with the message."""
    reference, path = entry.resource["prescriber"], f"{entry.path}.prescriber"
    target = reference.get("reference", "")
    named = message.named(target)
    if named is not None:
        _refuse_other(named, PRACTITIONER, path)
        return reading.prescriber_from(named.resource), named
    for index, contained in enumerate(entry.resource.get("contained", ())):
        if target == f"#{contained.get('id')}":
            if issues := issues_in(contained, f"{entry.path}.contained[{index}]"):
                raise ResourceRefused(issues)
            if contained["resourceType"] == PRACTITIONER:
                return reading.prescriber_from(contained), None
    ours = selectors.prescriptions_for(
        actor, permission=PrescriptionPermission.RECORD, exchange=ExchangePermission.ADMIT
    )
    known = ours.filter(pk=_own_id(target, PRACTITIONER)).first()  # type: ignore[misc]
    if known is not None:
        written = as_written(known)
        return {
            "name": written.prescriber_name,
            "registration": written.prescriber_registration,
            "practice": written.prescriber_practice,
        }, None
    if reference.get("display"):
        return reading.prescriber_named(reference), None
    text = "The prescriber is neither in the message nor here, and no display names one."
    raise _refused("not-found", text, path)


# --- the prescription -------------------------------------------------------------------------------------------------


def _prescription_take_in(actor: Actor, entry: Entry, customer: Customer, prescriber: dict[str, str]) -> TakenIn:
    actor.require(ExchangePermission.ADMIT, customer.branch_id)
    actor.require(PrescriptionPermission.RECORD, customer.branch_id)
    resource, path = entry.resource, entry.path
    identifiers = reading.identifiers_of(resource, path)
    body = reading.prescription_body(resource, prescriber, path)
    shape = PrescriptionRecordIn(data={"customer": str(customer.id), **body})
    if not shape.is_valid():
        raise reading.misfits(shape.errors, resource, path)
    written = written_from(shape.validated_data)
    known = _known_prescription(actor, customer.branch, identifiers, path)
    if known is not None:
        if known.customer_id != customer.id or _essence(as_written(known)) != _essence(written):
            text = f"{VISION_PRESCRIPTION}/{known.id} has this number and says otherwise; amend that one."
            raise RecordedOtherwise([Issue("conflict", text, f"{path}.identifier", RecordedOtherwise.code)])
        return TakenIn(entry, known, False)
    if any(system == System.PRESCRIPTION for system, _ in identifiers):
        raise _refused("not-found", "We did not give out this number.", f"{path}.identifier")
    try:
        recorded = prescription_record(actor=actor, customer=identity_of(customer), written=written)
    except Invalid as error:
        raise reading.refusal(error, resource, path) from error
    _remember(Kind.PRESCRIPTION, customer.branch, identifiers, prescription=recorded)
    outbox.record(
        event_type=events.PRESCRIPTION_TAKEN_IN,
        subject=f"prescriptions/{recorded.id}",
        actor=actor,
        branch_id=recorded.branch_id,
        data={"prescription": str(recorded.id), "customer": str(customer.id)},
    )
    warnings = [
        Issue(
            "informational",
            doubt.detail,
            reading.expression_of(doubt.field, resource, path),
            doubt.code,
            severity="warning",
        )
        for doubt in doubts_about(written)
    ]
    return TakenIn(entry, recorded, True, warnings)


def _known_prescription(
    actor: Actor, branch: Branch, identifiers: reading.Identifiers, path: str
) -> Prescription | None:
    found: dict[uuid.UUID, Prescription] = {}
    for system, value in identifiers:
        rows = selectors.prescriptions_for(
            actor, permission=PrescriptionPermission.RECORD, exchange=ExchangePermission.ADMIT
        ).filter(branch=branch)
        if system == System.PRESCRIPTION:
            rows = rows.filter(pk=uuid_from(value))  # type: ignore[misc]
        else:
            outside = selectors.outside_identifiers(Kind.PRESCRIPTION).filter(branch=branch)
            rows = rows.filter(id__in=outside.filter(system=system, value=value).values("prescription"))
        found |= {row.id: row for row in rows}
    if len(found) > 1:
        text = "The identifiers name several prescriptions here."
        raise RecordedOtherwise([Issue("conflict", text, f"{path}.identifier", RecordedOtherwise.code)])
    return next(iter(found.values()), None)


def _essence(written: WrittenPrescription) -> tuple[Any, ...]:
    """What two writings of one prescription share: the day and the powers, prism as its components."""
    eyes = []
    for side, eye in written.eyes:
        totals = computed(side, eye)
        powers = (eye.sphere_dpt, eye.cylinder_dpt, eye.axis_deg, eye.addition_dpt)
        eyes.append((eye.entry, *powers, totals.prism_in_dpt, totals.prism_up_dpt))
    return (written.issued_on, *eyes)


def _remember(kind: Kind, branch: Branch, identifiers: reading.Identifiers, **row: Any) -> None:
    OutsideIdentifier.objects.bulk_create(
        OutsideIdentifier(kind=kind, branch=branch, system=system, value=value, **row) for system, value in identifiers
    )


# --- small words ------------------------------------------------------------------------------------------------------


def _own_id(reference: str, kind: str) -> uuid.UUID | None:
    """The id in ``Patient/<id>``; an address elsewhere names nobody here."""
    named, _, key = reference.partition("/")
    return uuid_from(key) if named == kind else None


def _refuse_other(named: Entry, kind: str, path: str) -> None:
    if named.kind != kind:
        raise _refused("value", f"This names a {named.kind}, not a {kind}.", path)


def _refused(code: str, text: str, path: str) -> ResourceRefused:
    return ResourceRefused([Issue(code, text, path)])
