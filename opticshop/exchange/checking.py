"""Our own validator of what comes in: shapes, value sets and rules across elements, each fault with its FHIRPath.

A table says what each object may hold. What FHIR allows and a pair of spectacles has no place for is refused with
its reason: nothing that was prescribed is dropped in silence.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from .issues import Issue
from .vocabulary import (
    BASES,
    CONTACT,
    EYES,
    LENS,
    PATIENT,
    PRACTITIONER,
    PRODUCT_SYSTEM,
    REFERENCE_TYPES,
    VISION_PRESCRIPTION,
    Status,
)

Check = Callable[[Any, str], Iterator[Issue]]

#: Significant digits and exponent that any decimal here may have; FHIR asks for 18 digits at most.
_DIGITS, _LARGEST_EXPONENT = 18, 9
_LONGEST_TEXT = 5000
_TIME = r"T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])"
_DATE = re.compile(r"([0-9]{4})(-[0-9]{2}(-[0-9]{2})?)?")
_DATE_TIME = re.compile(rf"([0-9]{{4}})(-[0-9]{{2}}(-[0-9]{{2}}({_TIME})?)?)?")


@dataclass(frozen=True, slots=True)
class Element:
    check: Check
    required: bool = False
    many: bool = False


def issues_in(resource: Any, path: str = "") -> list[Issue]:
    """What is wrong with one resource; ``path`` is where it stands, its own type if it stands alone."""
    kind = resource.get("resourceType") if isinstance(resource, dict) else None
    if not isinstance(kind, str) or kind not in _RESOURCES:
        return [Issue("not-supported", f"Taken in are {', '.join(_RESOURCES)}.", f"{path or 'Resource'}.resourceType")]
    return list(_RESOURCES[kind](resource, path or kind))


# --- shapes -----------------------------------------------------------------------------------------------------------


def _holding(elements: Mapping[str, Element], *, strict: bool = True) -> Check:
    """An object with these elements; not strict where FHIR has more of them than concern us."""

    def check(value: Any, path: str) -> Iterator[Issue]:
        if not isinstance(value, dict) or not value:
            yield Issue("structure", "This is an object that holds something.", path)
            return
        yield from _refused_names(value, path, elements if strict else None)
        for name, element in elements.items():
            if name in value:
                yield from _occurrences(element, value[name], f"{path}.{name}")
            elif element.required:
                yield Issue("required", f"{name} is missing.", f"{path}.{name}")

    return check


def _refused_names(value: dict[str, Any], path: str, known: Mapping[str, Element] | None) -> Iterator[Issue]:
    for name in value:
        if name in {"modifierExtension", "implicitRules"}:
            yield Issue("extension", f"{name} could change the meaning of the rest and is not understood.", path)
        elif known is not None and name.removeprefix("_") not in {*known, "id", "extension"}:
            yield Issue("structure", f"There is no element {name[:80]!r} here.", path)


def _occurrences(element: Element, value: Any, path: str) -> Iterator[Issue]:
    if not element.many:
        yield from element.check(value, path)
    elif not isinstance(value, list) or not value:
        yield Issue("structure", "This is a list with at least one entry.", path)
    else:
        for index, one in enumerate(value):
            yield from element.check(one, f"{path}[{index}]")


def _anything(value: Any, path: str) -> Iterator[Issue]:
    return iter(())


def _text(value: Any, path: str) -> Iterator[Issue]:
    if not isinstance(value, str) or not value.strip() or len(value) > _LONGEST_TEXT:
        yield Issue("value", f"This is a text of 1 to {_LONGEST_TEXT} characters.", path)
    elif any(ord(char) < 32 and char not in "\t\n\r" for char in value):
        yield Issue("value", "Control characters are not accepted.", path)


def _one_of(*codes: str) -> Check:
    def check(value: Any, path: str) -> Iterator[Issue]:
        if not isinstance(value, str) or value not in codes:
            yield Issue("code-invalid", f"This is one of {', '.join(codes)}.", path)

    return check


def _decimal(value: Any, path: str) -> Iterator[Issue]:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        yield Issue("value", "This is a JSON number, not a text.", path)
        return
    number = Decimal(value)
    digits = number.as_tuple()
    if len(digits.digits) > _DIGITS or abs(int(digits.exponent)) > _LARGEST_EXPONENT:
        yield Issue("value", f"At most {_DIGITS} digits are read.", path)


def _axis(value: Any, path: str) -> Iterator[Issue]:
    if isinstance(value, bool) or not isinstance(value, int):
        yield Issue("value", "The axis is a whole JSON number.", path)
    elif not 1 <= value <= 180:
        hint = " Write 180 instead of 0." if value == 0 else ""
        yield Issue("value", f"The axis is 1 to 180.{hint}", path)


def _moment(pattern: re.Pattern[str], words: str) -> Check:
    def check(value: Any, path: str) -> Iterator[Issue]:
        if not isinstance(value, str) or not pattern.fullmatch(value) or not _in_the_calendar(value):
            yield Issue("value", words, path)

    return check


def _in_the_calendar(text: str) -> bool:
    try:
        dt.date.fromisoformat(text[:10] if len(text) >= 10 else text + "-01-01"[len(text) - 4 :])
    except ValueError:
        return False
    return True


_date = _moment(_DATE, "This is a date: 2026-03-02, 2026-03 or 2026.")
_date_time = _moment(_DATE_TIME, "This is a date, or a moment with its zone: 2026-03-02T09:30:00Z.")


def _reference(types: tuple[str, ...]) -> Check:
    shape = _holding(
        {
            "reference": Element(_text),
            "type": Element(_one_of(*types)),
            "identifier": Element(_identifier),
            "display": Element(_text),
        }
    )

    def check(value: Any, path: str) -> Iterator[Issue]:
        found = list(shape(value, path))
        yield from found
        if found:
            return
        named = value.get("reference", "").split("/")
        if len(named) > 1 and named[-2] not in types and "_history" not in named:
            yield Issue("value", f"This names {' or '.join(types)}.", f"{path}.reference")

    return check


_coding = _holding({"system": Element(_text), "code": Element(_text)}, strict=False)
_concept = _holding({"coding": Element(_coding, many=True), "text": Element(_text)}, strict=False)
_identifier = _holding(
    {"system": Element(_text), "value": Element(_text), "type": Element(_concept), "assigner": Element(_anything)},
    strict=False,
)
_quantity = _holding({"value": Element(_decimal, required=True), "unit": Element(_text)}, strict=False)


def _extension(value: Any, path: str) -> Iterator[Issue]:
    yield from _holding(
        {
            "url": Element(_text, required=True),
            "valueDate": Element(_date),
            "valueCode": Element(_text),
            "valueString": Element(_text),
            "valueQuantity": Element(_quantity),
        },
        strict=False,
    )(value, path)


# --- one lens ---------------------------------------------------------------------------------------------------------


def _product(value: Any, path: str) -> Iterator[Issue]:
    found = list(_concept(value, path))
    yield from found
    if found:
        return
    codes = {one.get("code") for one in value.get("coding", ()) if one.get("system") == PRODUCT_SYSTEM}
    if CONTACT in codes:
        yield Issue("not-supported", "A contact lens is not taken in: this service makes spectacles.", path)
    elif LENS not in codes:
        yield Issue("code-invalid", f"A lens for spectacles is {PRODUCT_SYSTEM}|{LENS}.", path)


def _of_contact_lenses(value: Any, path: str) -> Iterator[Issue]:
    yield Issue("not-supported", "This belongs to a contact lens; this service makes spectacles.", path)


def _without_place(value: Any, path: str) -> Iterator[Issue]:
    yield Issue("not-supported", "A prescription here has no place for this; write it as a note.", path)


_PRISM = {"amount": Element(_decimal, required=True), "base": Element(_one_of(*BASES), required=True)}
_LENS = {
    "extension": Element(_extension, many=True),
    "product": Element(_product, required=True),
    "eye": Element(_one_of(*EYES), required=True),
    "sphere": Element(_decimal),
    "cylinder": Element(_decimal),
    "axis": Element(_axis),
    "prism": Element(_holding(_PRISM), many=True),
    "add": Element(_decimal),
    "note": Element(_holding({"text": Element(_text, required=True)}, strict=False), many=True),
    **dict.fromkeys(("power", "backCurve", "diameter", "duration"), Element(_of_contact_lenses)),
    **dict.fromkeys(("color", "brand"), Element(_without_place)),
}


def _lens(value: Any, path: str) -> Iterator[Issue]:
    found = list(_holding(_LENS)(value, path))
    yield from found
    if found:
        return
    if value.get("cylinder") and "axis" not in value:
        yield Issue("invariant", "There is a cylinder but no axis; ask the prescriber.", f"{path}.axis")
    if "axis" in value and not value.get("cylinder"):
        yield Issue("invariant", "There is an axis but no cylinder; ask the prescriber.", f"{path}.axis")


# --- resources --------------------------------------------------------------------------------------------------------


def _status(value: Any, path: str) -> Iterator[Issue]:
    yield from _one_of(*Status)(value, path)
    if value == Status.DRAFT:
        yield Issue(
            "business-rule", "A draft is not taken in: what is recorded here can be dispensed the same day.", path
        )
    elif value in (Status.CANCELLED, Status.ENTERED_IN_ERROR):
        yield Issue("business-rule", "Only an active prescription is taken in; there is nothing to dispense.", path)


_RESOURCE = dict.fromkeys(("resourceType", "meta", "language", "text"), Element(_anything))
_HUMAN_NAME = {
    "use": Element(_text),
    "text": Element(_text),
    "family": Element(_text),
    "given": Element(_text, many=True),
    "prefix": Element(_text, many=True),
}
_TELECOM = {"system": Element(_text), "value": Element(_text)}
_ADDRESS = {
    "text": Element(_text),
    "line": Element(_text, many=True),
    "city": Element(_text),
    "postalCode": Element(_text),
    "country": Element(_text),
}
_PERSON = {
    **_RESOURCE,
    "extension": Element(_extension, many=True),
    "identifier": Element(_identifier, many=True),
    "name": Element(_holding(_HUMAN_NAME, strict=False), required=True, many=True),
}
_practitioner = _holding(_PERSON, strict=False)
_patient = _holding(
    {
        **_PERSON,
        "telecom": Element(_holding(_TELECOM, strict=False), many=True),
        "birthDate": Element(_date),
        "address": Element(_holding(_ADDRESS, strict=False), many=True),
        "managingOrganization": Element(_reference(("Organization",))),
    },
    strict=False,
)
_vision_prescription = _holding(
    {
        **_RESOURCE,
        "contained": Element(_holding({"id": Element(_text)}, strict=False), many=True),
        "extension": Element(_extension, many=True),
        "identifier": Element(_identifier, many=True),
        "status": Element(_status, required=True),
        "created": Element(_date_time, required=True),
        "patient": Element(_reference(REFERENCE_TYPES["patient"]), required=True),
        "encounter": Element(_reference(("Encounter",))),
        "dateWritten": Element(_date_time, required=True),
        "prescriber": Element(_reference(REFERENCE_TYPES["prescriber"]), required=True),
        "lensSpecification": Element(_lens, required=True, many=True),
    }
)

_RESOURCES: dict[str, Check] = {
    PATIENT: _patient,
    PRACTITIONER: _practitioner,
    VISION_PRESCRIPTION: _vision_prescription,
}
