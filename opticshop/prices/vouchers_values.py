"""Which value was in force on a day, and what a voucher is worth by them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from .vouchers_models import SchemeValue, SchemeVoucher
from .vouchers_problems import NoValueInForce

BAND, SUPPLEMENT = SchemeValue.Kind.BAND, SchemeValue.Kind.SUPPLEMENT


@dataclass(frozen=True, slots=True)
class Worth:
    """The face value of a voucher with what it is made of."""

    face: Decimal
    supplements: list[dict[str, Any]]
    warnings: list[str]


class ValueTable:
    """All values of one scheme in one nation that stand. Two queries' worth of vouchers cost one."""

    def __init__(self, scheme: str, nation: str) -> None:
        self.scheme, self.nation = scheme, nation
        self.rows = list(SchemeValue.objects.filter(scheme=scheme, nation=nation, withdrawn_at__isnull=True))

    def on(self, kind: str, code: str, day: dt.date) -> SchemeValue:
        """The value in force: the latest first day, of those the latest publication. Raises NoValueInForce."""
        found = [
            row
            for row in self.rows
            if (row.kind, row.code) == (kind, code)
            and row.valid_from <= day
            and (row.valid_to is None or day <= row.valid_to)
        ]
        if not found:
            raise NoValueInForce(
                f"No value of {kind} {code} in {self.nation} is entered that was in force on {day}.",
                field="issued_on",
                allowed="a day for which head office entered the value in force",
                scheme=self.scheme,
                nation=self.nation,
                missing=code,
            )
        return max(found, key=lambda row: (row.valid_from, row.published_on or dt.date.min, row.id))

    def worth(self, band: str, supplements: Mapping[str, int], day: dt.date) -> Worth:
        """What a voucher issued on the day is worth: its band and its supplements."""
        basis = self.on(BAND, band, day)
        rows = [basis]
        face, parts = basis.amount, []
        for code, quantity in sorted(supplements.items()):
            row = self.on(SUPPLEMENT, code, day)
            rows.append(row)
            face += row.amount * quantity
            parts.append({"code": code, "quantity": quantity, "amount": str(row.amount * quantity)})
        return Worth(face, parts, _examples_named(rows))

    def face_of(self, voucher: SchemeVoucher) -> Decimal:
        """What a voucher would be worth by the values as they stand now."""
        supplements = {part["code"]: part["quantity"] for part in voucher.supplements}
        return self.worth(voucher.band, supplements, voucher.issued_on).face


def _examples_named(rows: Iterable[SchemeValue]) -> list[str]:
    return [
        f"The value of {row.code} is an example ({row.confidence}); ask head office for the one in force."
        for row in rows
        if row.is_example
    ]
