from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import HeldDeposit, Settlement
from .payments import MoneyOut, TaxPartOut

_ORDER = "01890a5d-ac96-774b-bcce-b302099a8057"


class TreatmentOut(serializers.Serializer[Any]):
    """The rule applied to the tax of a deposit that is kept. Not tax advice."""

    jurisdiction = serializers.CharField()
    valid_from = serializers.DateField()
    tax_falls_away = serializers.BooleanField()
    words = serializers.CharField()
    source = serializers.CharField()  # type: ignore[assignment]
    confidence = serializers.CharField()


class SettlementOut(serializers.ModelSerializer[Settlement]):
    tax_parts = serializers.SerializerMethodField()
    tax_treatment = serializers.SerializerMethodField()

    class Meta:
        model = Settlement
        fields = [
            "id",
            "branch",
            "order",
            "kind",
            "amount",
            "currency",
            "tax_parts",
            "tax_treatment",
            "borne_as",
            "reason",
            "reverses",
            "settled_on",
            "settled_by",
        ]
        read_only_fields = fields

    @extend_schema_field(TaxPartOut(many=True))
    def get_tax_parts(self, settlement: Settlement) -> Any:
        return settlement.tax_parts

    @extend_schema_field(TreatmentOut(allow_null=True))
    def get_tax_treatment(self, settlement: Settlement) -> Any:
        return settlement.tax_treatment or None


class HeldDepositOut(serializers.ModelSerializer[HeldDeposit]):
    order_number = serializers.CharField(source="order.number", read_only=True)
    order_state = serializers.CharField(source="order.state", read_only=True)
    customer = serializers.UUIDField(source="order.customer_id", read_only=True)

    class Meta:
        model = HeldDeposit
        fields = ["order", "order_number", "order_state", "customer", "branch", "amount", "tax", "currency", "since"]
        read_only_fields = fields


class StatementLineOut(serializers.Serializer[Any]):
    day = serializers.DateField()
    kind = serializers.ChoiceField(["supplied", "paid", "given_back", "credited", "forfeited", "written_off"])
    order = serializers.UUIDField()
    order_number = serializers.CharField()
    document = serializers.CharField(help_text="For instance payments/<id>")
    amount = MoneyOut(help_text="Positive: the customer owes more; negative: less")
    balance = MoneyOut(help_text="After this line; negative while deposits are held")


class StatementOut(serializers.Serializer[Any]):
    """What a customer bought and paid, in order, in the branches the caller may see."""

    customer = serializers.UUIDField()
    currency = serializers.CharField(help_text="Of all lines")
    owed = MoneyOut(help_text="Owed for pairs supplied")
    held = MoneyOut(help_text="Deposits held for pairs that are not supplied")
    balance = MoneyOut(help_text="Owed less held")
    lines = StatementLineOut(many=True)


class _AmountAndReason(StrictSerializer):
    order = serializers.UUIDField()
    amount = UnitDecimalField(
        unit="the currency of the order",
        max_digits=10,
        decimal_places=2,
        min_value=Decimal("0.01"),
        required=False,
        help_text="Left out: all of it",
    )
    reason = TextField(max_length=200)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A part", value={"order": _ORDER, "amount": "30.00", "reason": "Lenses were cut before the call"}
        )
    ]
)
class ForfeitIn(_AmountAndReason):
    pass


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A remainder", value={"order": _ORDER, "amount": "0.50", "borne_as": "goodwill", "reason": "Waited twice"}
        )
    ]
)
class WriteOffIn(_AmountAndReason):
    borne_as = serializers.ChoiceField(Settlement.Borne.choices)


@extend_schema_serializer(examples=[OpenApiExample("A mistake", value={"reason": "The wrong order"})])
class SettlementUndoIn(StrictSerializer):
    reason = TextField(max_length=200)
