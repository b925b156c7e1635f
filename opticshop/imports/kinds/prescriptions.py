"""Prescriptions taken over as they were written, in the cylinder form of the prescriber; expired ones too, as records.

Words for powers (plano, DS) are common practice, no source.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from typing import Any

from opticshop.customers.contacting import identity_of
from opticshop.customers.merged import CustomerErased
from opticshop.customers.models import Customer
from opticshop.customers.selectors import customer_get_for
from opticshop.prescriptions.permissions import PrescriptionPermission
from opticshop.prescriptions.serializers.prescriptions import PrescriptionRecordIn, written_from
from opticshop.prescriptions.services import prescription_record

from ..models import ImportFile, Kind, OutsideKey
from ..row_problems import CustomerUnknown
from .shared import Field, Job, Made, Problem, RowKind, RowRefused, RowSkipped, day, number

_PRESCRIBER = ("name", "registration", "practice")
_PLAIN = ("purpose", "issued_on", "expires_on", "recall_months", "vertex_distance_mm", "note")
_POWERS = ("entry", "sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt")
_BASES = ("in", "out", "up", "down")


def _power(cell: str, file: ImportFile) -> str:
    return "0.00" if cell.casefold() in {"plano", "pl", "ds", "sph"} else number(cell, file)


def _degrees(cell: str, file: ImportFile) -> str:
    return cell.removesuffix("°").strip()


def _base(cell: str, file: ImportFile) -> str:
    word = cell.casefold().removesuffix("°").strip()
    return word if word in _BASES else number(word, file)


def _lower(cell: str, file: ImportFile) -> str:
    return cell.casefold()


def _apply(job: Job, values: dict[str, Any]) -> Made:
    customer = _customer(job, values)
    body = {name: values[name] for name in _PLAIN if name in values} | {"customer": str(customer.id)}
    body["prescriber"] = {name: values[f"prescriber_{name}"] for name in _PRESCRIBER if f"prescriber_{name}" in values}
    body |= {side: _eye(side, values) for side in ("right", "left")}
    checked = KIND.shaped(PrescriptionRecordIn, body)
    made = prescription_record(actor=job.actor, customer=identity_of(customer), written=written_from(checked))
    return Made("prescriptions", made.id)


def _customer(job: Job, values: dict[str, Any]) -> Customer:
    """The customer of this branch that the row names. Raises RowRefused, RowSkipped for who was erased."""
    key = values.get("customer_external_id")
    if key is not None:
        known = OutsideKey.objects.everywhere("branch of the import, permission checked when it was started").filter(
            branch=job.branch, kind=Kind.CUSTOMERS, external_id=key
        )
        wanted, named = known.values_list("made_id", flat=True).first(), "customer_external_id"
    else:
        wanted, named = _uuid(values.get("customer", "")), "customer"
    where = PrescriptionPermission.RECORD
    found = None
    if wanted is not None:
        visible = Customer.objects.visible_to(job.actor, where).filter(branch=job.branch, id=wanted)
        if visible.exclude(erased_at=None).exists():  # skipped, so that the cells are not kept
            raise RowSkipped(Problem(named, CustomerErased, "This person was erased; nothing is taken over."))
        found = customer_get_for(job.actor, wanted, permission=where) if visible.exists() else None
    if found is None:
        raise RowRefused(
            Problem(
                named,
                CustomerUnknown,
                f"No customer of this branch is known as {str(key or values.get('customer', ''))[:80]!r}.",
                "the external_id of a customer that was imported here, or our id of a customer",
            )
        )
    return found


def _eye(side: str, values: dict[str, Any]) -> dict[str, Any]:
    eye = {name: values[f"{side}_{name}"] for name in _POWERS if f"{side}_{name}" in values}
    prisms = []
    for prism in (f"{side}_prism", f"{side}_prism_2"):
        amount, base = values.get(f"{prism}_dpt"), values.get(f"{prism}_base")
        if amount is None and base is None:
            continue
        where = {} if base is None else {"base" if base in _BASES else "base_deg": base}
        prisms.append({"amount_dpt": amount, **where} if amount is not None else where)
    return {**eye, "prism": prisms}


def _uuid(cell: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(cell)
    except ValueError:
        return None


def _eye_fields() -> Iterator[Field]:
    for side, short in (("right", ("r", "re", "od")), ("left", ("l", "le", "os"))):

        def words(*endings: str, side: str = side, short: tuple[str, ...] = short) -> tuple[str, ...]:
            return tuple(f"{one} {ending}" for one in (side, f"{side} eye", *short) for ending in endings)

        yield Field(f"{side}_entry", words("lens or balance"), _lower)
        yield Field(f"{side}_sphere_dpt", words("sphere", "sph"), _power)
        yield Field(f"{side}_cylinder_dpt", words("cylinder", "cyl"), _power)
        yield Field(f"{side}_axis_deg", words("axis", "ax"), _degrees)
        yield Field(f"{side}_addition_dpt", words("addition", "add"), number)
        for ending, more in (("prism", ""), ("prism_2", " 2")):
            yield Field(f"{side}_{ending}_dpt", words(f"prism{more}"), number)
            yield Field(f"{side}_{ending}_base", words(f"prism base{more}", f"base{more}"), _base)


def _names_of_prisms() -> Iterator[tuple[str, str]]:
    for side in ("right", "left"):
        for place, ours in enumerate((f"{side}_prism", f"{side}_prism_2")):
            yield f"{side}_prism_{place}_amount_dpt", f"{ours}_dpt"
            for name in ("base", "base_deg"):
                yield f"{side}_prism_{place}_{name}", f"{ours}_base"
            yield f"{side}_prism_{place}", f"{ours}_dpt"


KIND = RowKind(
    fields=(
        Field("external_id", ("prescription id", "prescription number", "prescription no", "outside id", "ref")),
        Field("customer_external_id", ("customer number", "customer no", "customer id", "customer ref")),
        Field("customer", ("our customer id",)),
        Field("issued_on", ("issued", "date", "date of prescription", "prescription date", "examined on"), day),
        Field("expires_on", ("expires", "expiry", "expiry date", "valid until"), day),
        Field("purpose", ("use", "used for"), _lower),
        Field("prescriber_name", ("prescriber", "examiner", "prescribed by", "examined by")),
        Field("prescriber_registration", ("prescriber number", "registration", "registration number")),
        Field("prescriber_practice", ("practice", "place of examination")),
        Field("recall_months", ("recall", "recall in months")),
        Field("vertex_distance_mm", ("vertex distance", "vertex", "bvd"), number),
        Field("note", ("notes", "remarks", "comment", "comments")),
        *_eye_fields(),
    ),
    apply=_apply,
    needed=(
        ("customer_external_id", "customer"),
        ("issued_on",),
        ("prescriber_name",),
        ("right_sphere_dpt",),
        ("left_sphere_dpt",),
    ),
    called={"prescriber": "prescriber_name", **dict(_names_of_prisms())},
)
