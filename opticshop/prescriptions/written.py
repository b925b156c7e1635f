"""A prescription as its words and numbers stand on the paper, before and after it is a row in a table.

Powers are exact decimals in dioptres, in the cylinder form in which they were written; prism in prism dioptres.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from .models import Eye, PrescribedEye, Prescription


@dataclass(frozen=True, slots=True)
class WrittenPrism:
    """One component: an amount with the base in, out, up or down, or with a base setting of 0 to 360 degrees (TABO,
    as the examiner faces the wearer)."""

    amount_dpt: Decimal
    base: str = ""
    base_deg: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenEye:
    sphere_dpt: Decimal | None
    cylinder_dpt: Decimal = Decimal(0)
    axis_deg: int | None = None
    addition_dpt: Decimal | None = None
    prisms: tuple[WrittenPrism, ...] = ()
    entry: str = PrescribedEye.Entry.LENS

    @property
    def is_lens(self) -> bool:
        return self.entry == PrescribedEye.Entry.LENS

    @property
    def strongest_dpt(self) -> Decimal:
        """The larger absolute power of the two principal meridians; 0 where no power is stated."""
        if self.sphere_dpt is None:
            return Decimal(0)
        return max(abs(self.sphere_dpt), abs(self.sphere_dpt + self.cylinder_dpt))


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenPrescription:
    issued_on: dt.date
    right: WrittenEye
    left: WrittenEye
    prescriber_name: str
    prescriber_registration: str = ""
    prescriber_practice: str = ""
    purpose: str = Prescription.Purpose.GENERAL
    expires_on: dt.date | None = None
    recall_months: int | None = None
    vertex_distance_mm: Decimal | None = None
    note: str = ""

    @property
    def eyes(self) -> Iterator[tuple[str, WrittenEye]]:
        yield Eye.RIGHT.value, self.right
        yield Eye.LEFT.value, self.left


def as_written(prescription: Prescription) -> WrittenPrescription:
    """What a stored prescription says. Reads the eyes and prisms, which selectors have fetched already."""
    rows = {row.eye: row for row in prescription.eyes.all()}
    return WrittenPrescription(
        issued_on=prescription.issued_on,
        expires_on=prescription.expires_on,
        purpose=prescription.purpose,
        prescriber_name=prescription.prescriber_name,
        prescriber_registration=prescription.prescriber_registration,
        prescriber_practice=prescription.prescriber_practice,
        recall_months=prescription.recall_months,
        vertex_distance_mm=prescription.vertex_distance_mm,
        note=prescription.note,
        right=_eye_as_written(rows[Eye.RIGHT]),
        left=_eye_as_written(rows[Eye.LEFT]),
    )


def _eye_as_written(row: PrescribedEye) -> WrittenEye:
    return WrittenEye(
        entry=row.entry,
        sphere_dpt=row.sphere_dpt,
        cylinder_dpt=row.cylinder_dpt,
        axis_deg=row.axis_deg,
        addition_dpt=row.addition_dpt,
        prisms=tuple(WrittenPrism(prism.amount_dpt, prism.base, prism.base_deg) for prism in row.prisms.all()),
    )
