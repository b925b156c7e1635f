from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import TillDay, TillEntry
from .payments import MoneyOut, TillField

_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"
_UNIT = "the currency of the branch"
_MOST_PIECES = 100_000


class PiecesField(serializers.DictField):
    """Notes and coins: face value -> how many."""

    child = serializers.IntegerField(min_value=0, max_value=_MOST_PIECES)

    def to_internal_value(self, data: Any) -> dict[str, int]:
        pieces: dict[str, int] = super().to_internal_value(data)
        for name in pieces:
            if not (name.isascii() and len(name) <= 10 and name.replace(".", "", 1).isdigit()):
                raise serializers.ValidationError({name: "A face value in plain decimal digits, for instance 0.50."})
        return pieces


class TillEntryOut(serializers.ModelSerializer[TillEntry]):
    class Meta:
        model = TillEntry
        fields = ["id", "till_day", "kind", "purpose", "amount", "expected", "pieces", "reason", "made_at", "made_by"]
        read_only_fields = fields


class TillDayOut(serializers.ModelSerializer[TillDay]):
    expected = MoneyOut(source="expected_now", help_text="Cash that should be there now, or was when the day ended")
    difference = MoneyOut(allow_null=True, help_text="Over (positive) or short (negative); null where nobody counted")
    taken_cash = MoneyOut(help_text="Payments less refunds")
    taken_card = MoneyOut()
    taken_transfer = MoneyOut()
    taken_voucher = MoneyOut()
    entries = TillEntryOut(many=True, help_text="Opened, counted, cash moved, closed, reopened; in order")

    class Meta:
        model = TillDay
        fields = [
            "id",
            "branch",
            "till",
            "day",
            "state",
            "currency",
            "carried",
            "opening_float",
            "is_float_counted",
            "opened_at",
            "opened_by",
            "taken_cash",
            "taken_card",
            "taken_transfer",
            "taken_voucher",
            "expected",
            "counted",
            "difference",
            "left_over",
            "closed_at",
            "closed_by",
            "entries",
        ]
        read_only_fields = fields


def _amount(**options: Any) -> UnitDecimalField:
    return UnitDecimalField(unit=_UNIT, max_digits=10, decimal_places=2, **options)


class _Counting(StrictSerializer):
    """What was counted: the notes and coins, or one amount."""

    pieces = PiecesField(required=False, help_text="Face value -> how many")
    amount = _amount(min_value=Decimal(0), required=False, help_text="Instead of the notes and coins")


@extend_schema_serializer(
    examples=[
        OpenApiExample("A float of 60.00", value={"branch": _BRANCH, "pieces": {"10": 3, "5": 4, "1": 8, "0.50": 4}}),
    ]
)
class TillOpenIn(_Counting):
    branch = serializers.UUIDField()
    till = TillField(required=False, help_text="Left out: main, which also opens by itself")


@extend_schema_serializer(
    examples=[OpenApiExample("At closing time", value={"pieces": {"20": 6, "10": 3, "5": 4, "1": 8, "0.50": 4}})]
)
class TillCountIn(_Counting):
    pass


@extend_schema_serializer(
    examples=[OpenApiExample("Change from the bank", value={"amount": "40.00", "purpose": "bank", "reason": "Coins"})]
)
class TillMoveIn(StrictSerializer):
    amount = _amount(min_value=Decimal("0.01"))
    purpose = serializers.ChoiceField(TillEntry.Purpose.choices)
    reason = TextField(max_length=200)


@extend_schema_serializer(examples=[OpenApiExample("The float stays", value={"banked": "120.00"})])
class TillCloseIn(StrictSerializer):
    banked = _amount(min_value=Decimal(0), required=False, help_text="Taken to the bank; the rest is tomorrow's float")


@extend_schema_serializer(examples=[OpenApiExample("A customer came late", value={"reason": "A refund after closing"})])
class TillReopenIn(StrictSerializer):
    reason = TextField(max_length=200)
