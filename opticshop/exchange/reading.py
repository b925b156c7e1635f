"""From checked FHIR resources to what the services of the house ask for, and from their refusals back to FHIRPath."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from opticshop.core.errors import DomainError
from opticshop.prescriptions.models import PrescribedEye

from .issues import Issue, ResourceRefused
from .vocabulary import EYES, Extension, System

Identifiers = list[tuple[str, str]]
LONGEST_IDENTIFIER = 200

_WHOLE_DAY = 10
#: Types of identifiers that are numbers in a professional register (HL7 table 0203, from memory).
_REGISTRATION_TYPES = frozenset({"LN", "MD", "NPI"})

_LENS_FIELDS = {
    "sphere_dpt": "sphere",
    "cylinder_dpt": "cylinder",
    "axis_deg": "axis",
    "addition_dpt": "add",
    "amount_dpt": "amount",
    "entry": "extension",
    "base_deg": "base",
}
_FIELDS = {
    "issued_on": "dateWritten",
    "expires_on": "extension",
    "vertex_distance_mm": "extension",
    "purpose": "extension",
    "note": "lensSpecification.note",
    "given_name": "name",
    "family_name": "name",
    "birth_date": "birthDate",
    "email": "telecom",
    "phone": "telecom",
    "postcode": "address.postalCode",
    "country": "address.country",
    "branch": "managingOrganization",
}


def identifiers_of(resource: dict[str, Any], path: str) -> Identifiers:
    """Whose number, and which. Raises ResourceRefused where there is none by which it would be known again."""
    named = [(one.get("system", ""), one.get("value", "")) for one in resource.get("identifier", ())]
    found = list(dict.fromkeys((system, value) for system, value in named if system and value))
    if not found:
        text = "An identifier with system and value is needed: by it a repeated message is known again."
        raise ResourceRefused([Issue("required", text, f"{path}.identifier")])
    if any(len(part) > LONGEST_IDENTIFIER for pair in found for part in pair):
        text = f"An identifier has at most {LONGEST_IDENTIFIER} characters in its system and in its value."
        raise ResourceRefused([Issue("too-long", text, f"{path}.identifier")])
    return found


def prescription_body(resource: dict[str, Any], prescriber: dict[str, str], path: str) -> dict[str, Any]:
    """The body of a prescription as the API of the house takes it; values as they are written, changed in nothing."""
    notes = [note["text"] for lens in resource["lensSpecification"] for note in lens.get("note", ())]
    return _stated(
        {
            "issued_on": _day(resource["dateWritten"], f"{path}.dateWritten"),
            "expires_on": _extension(resource, Extension.VALID_UNTIL, "valueDate"),
            "purpose": _extension(resource, Extension.PURPOSE, "valueCode"),
            "vertex_distance_mm": _millimetres(resource, path),
            "prescriber": prescriber,
            "note": "\n".join(dict.fromkeys(notes)),
            **_eyes(resource, path),
        }
    )


def _eyes(resource: dict[str, Any], path: str) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for index, lens in enumerate(resource["lensSpecification"]):
        if lens["eye"] in found:
            text = f"The {lens['eye']} eye has two lenses; send each pair as a prescription of its own."
            raise ResourceRefused([Issue("not-supported", text, f"{path}.lensSpecification[{index}]")])
        found[lens["eye"]] = _eye(lens)
    missing = [side for side in EYES if side not in found]
    if missing:
        text = f"The {missing[0]} eye is missing. A balance lens or an occluded eye is said by {Extension.ENTRY.value}."
        raise ResourceRefused([Issue("required", text, f"{path}.lensSpecification")])
    return found


def _eye(lens: dict[str, Any]) -> dict[str, Any]:
    return _stated(
        {
            "entry": _extension(lens, Extension.ENTRY, "valueCode") or PrescribedEye.Entry.LENS.value,
            "sphere_dpt": lens.get("sphere"),
            "cylinder_dpt": lens.get("cylinder"),
            "axis_deg": lens.get("axis"),
            "addition_dpt": lens.get("add"),
            "prism": [{"amount_dpt": one["amount"], "base": one["base"]} for one in lens.get("prism", ())],
        }
    )


def prescriber_from(practitioner: dict[str, Any]) -> dict[str, str]:
    name = practitioner["name"][0]
    spelled = [*name.get("prefix", ()), *name.get("given", ()), name.get("family", "")]
    return {
        "name": name.get("text") or " ".join(filter(None, spelled)),
        "registration": next(_registrations(practitioner), ""),
        "practice": _extension(practitioner, Extension.PRACTICE, "valueString") or "",
    }


def prescriber_named(reference: dict[str, Any]) -> dict[str, str]:
    """A prescriber of whom no more came than a name and perhaps a number."""
    numbers = [reference["identifier"]] if "identifier" in reference else []
    return {"name": reference["display"], "registration": next(_registrations({"identifier": numbers}), "")}


def _registrations(practitioner: dict[str, Any]) -> Iterator[str]:
    """A number is taken as one of a register only where it says so."""
    for one in practitioner.get("identifier", ()):
        codes = {coding.get("code") for coding in one.get("type", {}).get("coding", ())}
        if one.get("value") and (one.get("system") == System.REGISTRATION or codes & _REGISTRATION_TYPES):
            yield one["value"]


def customer_body(patient: dict[str, Any], path: str) -> dict[str, Any]:
    """The body of a registration as the API of the house takes it, without the branch."""
    name = name_of(patient)
    if name is None:
        raise ResourceRefused([Issue("required", "A person has a family and a given name.", f"{path}.name")])
    address: dict[str, Any] = next(iter(patient.get("address", ())), {})
    written = [*address.get("line", ()), address.get("city", "")]
    return _stated(
        {
            "family_name": name[0],
            "given_name": name[1],
            "birth_date": birth_date_of(patient),
            "phone": _telecom(patient, "phone"),
            "email": _telecom(patient, "email"),
            "address": address.get("text") or "\n".join(filter(None, written)),
            "postcode": address.get("postalCode"),
            "country": address.get("country"),
        }
    )


def name_of(patient: dict[str, Any]) -> tuple[str, str] | None:
    """(family name, given names), the official name before others; None where they are not told apart."""
    name = min(patient["name"], key=lambda one: one.get("use") != "official")
    return (name["family"], " ".join(name["given"])) if name.get("family") and name.get("given") else None


def birth_date_of(patient: dict[str, Any]) -> str | None:
    """The day, where one is stated; a year alone is not a day."""
    text = patient.get("birthDate", "")
    return text if len(text) == _WHOLE_DAY else None


def branch_code_of(patient: dict[str, Any]) -> str | None:
    """The branch that the patient is to be at home in, where the message names one of ours."""
    named = patient.get("managingOrganization", {}).get("identifier", {})
    return named.get("value") if named.get("system") == System.BRANCH else None


def refusal(error: DomainError, resource: dict[str, Any], path: str) -> ResourceRefused:
    """A refusal of a service of the house, with the path of the element that it is about."""
    issue = Issue("business-rule", error.detail, expression_of(error.field or "", resource, path), problem=error.code)
    return ResourceRefused([issue])


def misfits(errors: Any, resource: dict[str, Any], path: str) -> ResourceRefused:
    """What a shape of the house refused."""
    return ResourceRefused(
        [Issue("value", text, expression_of(field, resource, path)) for field, text in _flattened(errors)]
    )


def expression_of(field: str, resource: dict[str, Any], path: str) -> str:
    """``right.prism.0.amount_dpt`` -> ``VisionPrescription.lensSpecification[1].prism[0].amount``."""
    head, _, rest = field.partition(".")
    if head in EYES:
        sides = [lens.get("eye") for lens in resource.get("lensSpecification", ())]
        steps = [_LENS_FIELDS.get(step, step) for step in rest.split(".") if step]
        joined = re.sub(r"\.([0-9]+)(?=\.|$)", r"[\1]", ".".join(["", *steps]))
        return f"{path}.lensSpecification[{sides.index(head)}]{joined}" if head in sides else path
    return f"{path}.{_FIELDS.get(head, head)}" if head else path


def _flattened(errors: Any, field: str = "") -> Iterator[tuple[str, str]]:
    if isinstance(errors, dict):
        for name, inner in errors.items():
            step = "" if name == "non_field_errors" else str(name)
            yield from _flattened(inner, ".".join(filter(None, (field, step))))
    elif isinstance(errors, list):
        for index, inner in enumerate(errors):
            plain = not isinstance(inner, dict | list)
            yield from [(field, str(inner))] if plain else _flattened(inner, f"{field}.{index}")


def _day(text: str, path: str) -> str:
    """The day as the writer's own calendar had it."""
    if len(text) < _WHOLE_DAY:
        raise ResourceRefused([Issue("value", "The day is needed: an expiry is reckoned from it.", path)])
    return text[:_WHOLE_DAY]


def _extension(holder: dict[str, Any], url: str, value: str) -> Any:
    return next((one.get(value) for one in holder.get("extension", ()) if one.get("url") == url), None)


def _millimetres(resource: dict[str, Any], path: str) -> Any:
    quantity = _extension(resource, Extension.VERTEX_DISTANCE, "valueQuantity") or {}
    if quantity.get("code", "mm") != "mm":
        raise ResourceRefused([Issue("value", "A vertex distance is in mm.", f"{path}.extension")])
    return quantity.get("value")


def _telecom(patient: dict[str, Any], system: str) -> str | None:
    return next((one.get("value") for one in patient.get("telecom", ()) if one.get("system") == system), None)


def _stated(values: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None and value != ""}
