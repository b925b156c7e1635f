"""Sums of money that are exact on every database."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.db.models import Sum


class MoneySum(Sum):
    """The sum of a decimal column, exact to its decimal places.

    SQLite adds decimals as floats: what is left of 24.10 - 24.09 would be 0.00999999999999979, and a balance that is
    settled would not be nought.
    """

    name = "Sum"

    def get_db_converters(self, connection: Any) -> list[Any]:
        return [*super().get_db_converters(connection), self._exact]

    def _exact(self, value: Decimal | None, expression: Any, connection: Any) -> Decimal | None:
        if value is None:
            return None
        places: int = self.output_field.decimal_places  # type: ignore[attr-defined]
        return value.quantize(Decimal(1).scaleb(-places))
