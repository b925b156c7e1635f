"""From our rows to FHIR resources. No query is made here: selectors have fetched what is read.

A prescriber is known only as written on a prescription, so a Practitioner has the id of that prescription: two
prescriptions by one hand are two resources, told to be one person by the registration number alone.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from decimal import Decimal
from typing import Any

from opticshop.customers.models import Customer
from opticshop.prescriptions.computing import computed
from opticshop.prescriptions.models import PrescribedEye, Prescription
from opticshop.prescriptions.written import WrittenEye, as_written

from .models import OutsideIdentifier
from .vocabulary import (
    LENS,
    PATIENT,
    PRACTITIONER,
    PRODUCT_SYSTEM,
    UCUM,
    VISION_PRESCRIPTION,
    Extension,
    Status,
    System,
)


def patient(customer: Customer) -> dict[str, Any]:
    telecom = [("phone", customer.phone), ("email", customer.email)]
    address = {"text": customer.address, "postalCode": customer.postcode}
    return _without_empty(
        {
            "resourceType": PATIENT,
            "id": str(customer.id),
            "meta": {"versionId": str(customer.version)},
            "identifier": [{"system": System.CUSTOMER.value, "value": str(customer.id)}],
            "name": [{"family": customer.family_name, "given": [customer.given_name]}],
            "telecom": [{"system": system, "value": value} for system, value in telecom if value],
            "birthDate": customer.birth_date and customer.birth_date.isoformat(),
            "address": [_without_empty({**address, "country": customer.country})] if any(address.values()) else [],
            "managingOrganization": {
                "identifier": {"system": System.BRANCH.value, "value": customer.branch.code},
                "display": customer.branch.name,
            },
        }
    )


def practitioner(prescription: Prescription) -> dict[str, Any]:
    """Who wrote this prescription, as recorded on it."""
    registration, practice = prescription.prescriber_registration, prescription.prescriber_practice
    return _without_empty(
        {
            "resourceType": PRACTITIONER,
            "id": str(prescription.id),
            "meta": {"versionId": "1", "lastUpdated": _instant(prescription.created_at)},
            "extension": [{"url": Extension.PRACTICE.value, "valueString": practice}] if practice else [],
            "identifier": [{"system": System.REGISTRATION.value, "value": registration}] if registration else [],
            "name": [{"text": prescription.prescriber_name}],
        }
    )


def vision_prescription(prescription: Prescription) -> dict[str, Any]:
    successor = successor_of(prescription)
    written = as_written(prescription)
    lenses = [_lens_specification(side, eye) for side, eye in written.eyes]
    if written.note:
        lenses[0]["note"] = [{"text": written.note}]
    return _without_empty(
        {
            "resourceType": VISION_PRESCRIPTION,
            "id": str(prescription.id),
            "meta": {
                "versionId": version_of(prescription),
                "lastUpdated": _instant((successor or prescription).created_at),
            },
            "extension": list(_extensions(prescription)),
            "identifier": [
                {"system": System.PRESCRIPTION.value, "value": str(prescription.id)},
                *({"system": one.system, "value": one.value} for one in _outside(prescription)),
            ],
            "status": (Status.CANCELLED if successor else Status.ACTIVE).value,
            "created": _instant(prescription.created_at),
            "patient": {"reference": f"{PATIENT}/{prescription.customer_id}"},
            "dateWritten": prescription.issued_on.isoformat(),
            "prescriber": {
                "reference": f"{PRACTITIONER}/{prescription.id}",
                "display": prescription.prescriber_name,
            },
            "lensSpecification": lenses,
        }
    )


def successor_of(prescription: Prescription) -> Prescription | None:
    return getattr(prescription, "superseded_by", None)


def version_of(prescription: Prescription) -> str:
    """A prescription is never edited; the one thing that can still happen to it is to be superseded."""
    return "2" if successor_of(prescription) else "1"


def _outside(prescription: Prescription) -> Iterable[OutsideIdentifier]:
    return prescription.outside_identifiers.all()  # type: ignore[attr-defined]


def _extensions(prescription: Prescription) -> Iterator[dict[str, Any]]:
    yield {"url": Extension.VALID_UNTIL.value, "valueDate": prescription.expires_on.isoformat()}
    yield {"url": Extension.PURPOSE.value, "valueCode": str(prescription.purpose)}
    if prescription.vertex_distance_mm is not None:
        millimetres = {"unit": "mm", "system": UCUM, "code": "mm"}
        yield {
            "url": Extension.VERTEX_DISTANCE.value,
            "valueQuantity": {"value": prescription.vertex_distance_mm, **millimetres},
        }
    if prescription.supersedes_id is not None:
        reference = {"reference": f"{VISION_PRESCRIPTION}/{prescription.supersedes_id}"}
        yield {"url": Extension.SUPERSEDES.value, "valueReference": reference}


def _lens_specification(side: str, eye: WrittenEye) -> dict[str, Any]:
    """Plano is a value and stays; a cylinder of nothing is left out. The cylinder form is the writer's."""
    found: dict[str, Any] = {}
    if eye.entry != PrescribedEye.Entry.LENS:
        found["extension"] = [{"url": Extension.ENTRY.value, "valueCode": str(eye.entry)}]
    found |= {"product": {"coding": [{"system": PRODUCT_SYSTEM, "code": LENS}]}, "eye": side}
    if eye.sphere_dpt is not None:
        found["sphere"] = eye.sphere_dpt
    if eye.cylinder_dpt:
        found |= {"cylinder": eye.cylinder_dpt, "axis": eye.axis_deg}
    if prism := list(_prism(side, eye)):
        found["prism"] = prism
    if eye.addition_dpt is not None:
        found["add"] = eye.addition_dpt
    return found


def _prism(side: str, eye: WrittenEye) -> Iterator[dict[str, Any]]:
    """One horizontal and one vertical component. A base setting in degrees is split, and kept as an extension."""
    settings = [
        {
            "url": Extension.BASE_SETTING.value,
            "extension": [
                {"url": "amount", "valueDecimal": prism.amount_dpt},
                {"url": "degrees", "valueDecimal": prism.base_deg},
            ],
        }
        for prism in eye.prisms
        if prism.base_deg is not None
    ]
    totals = computed(side, eye)
    for amount, toward, away in ((totals.prism_in_dpt, "in", "out"), (totals.prism_up_dpt, "up", "down")):
        if amount:
            component = {"amount": abs(amount), "base": toward if amount > 0 else away}
            yield {"extension": settings, **component} if settings else component
            settings = []


def _instant(moment: dt.datetime) -> str:
    return moment.astimezone(dt.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _without_empty(resource: dict[str, Any]) -> dict[str, Any]:
    """FHIR knows no empty values; a number is never empty."""
    return {name: value for name, value in resource.items() if isinstance(value, Decimal) or value}
