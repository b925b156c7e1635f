from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from ..models import Delivery, DeliveryLine, DeliveryMatch, Shortage
from .shared import ID, OTHER_ID, ItemOut, ReadingIn, ReasonIn, cost_field, power_field


class MatchOut(serializers.ModelSerializer[DeliveryMatch]):
    purchase_order = serializers.UUIDField(source="purchase_line.purchase_order_id", read_only=True)
    number = serializers.CharField(source="purchase_line.purchase_order.number", read_only=True)
    position = serializers.IntegerField(source="purchase_line.position", read_only=True)

    class Meta:
        model = DeliveryMatch
        fields = ["purchase_order", "number", "position", "quantity"]
        read_only_fields = fields


class DeliveryLineOut(serializers.ModelSerializer[DeliveryLine]):
    item = ItemOut(read_only=True)
    matches = MatchOut(many=True, read_only=True)

    class Meta:
        model = DeliveryLine
        fields = [
            "position",
            "item",
            "gtin",
            "lot_code",
            "quantity",
            "unit_cost",
            "over",
            "over_reason",
            "outcome",
            "reading",
            "standard",
            "standard_version",
            "verdict",
            "lot",
            "matches",
        ]
        read_only_fields = fields
        extra_kwargs = {
            "quantity": {"help_text": "Pieces"},
            "lot": {"help_text": "Where they lie once confirmed; a lot in quarantine after a failing reading"},
        }


class ShortageOut(serializers.ModelSerializer[Shortage]):
    purchase_order = serializers.UUIDField(source="purchase_line.purchase_order_id", read_only=True)
    number = serializers.CharField(source="purchase_line.purchase_order.number", read_only=True)
    position = serializers.IntegerField(source="purchase_line.position", read_only=True)

    class Meta:
        model = Shortage
        fields = ["purchase_order", "number", "position", "missing"]
        read_only_fields = fields


class DeliveryOut(serializers.ModelSerializer[Delivery]):
    supplier_name = serializers.CharField(source="supplier.name", read_only=True)
    purchase_orders = serializers.PrimaryKeyRelatedField(many=True, read_only=True)  # type: ignore[var-annotated]
    lines = DeliveryLineOut(many=True, read_only=True)
    shortages = ShortageOut(many=True, read_only=True)

    class Meta:
        model = Delivery
        fields = [
            "id",
            "branch",
            "supplier",
            "supplier_name",
            "number",
            "delivery_note",
            "state",
            "purchase_orders",
            "lines",
            "shortages",
            "confirmed_at",
            "discarded_reason",
            "created_at",
            "version",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("A parcel", value={"branch": OTHER_ID, "supplier": ID, "delivery_note": "DN-88120"})]
)
class DeliveryOpenIn(StrictSerializer):
    branch = serializers.UUIDField()
    supplier = serializers.UUIDField()
    delivery_note = TextField(required=False, allow_blank=True, max_length=60, default="")
    purchase_orders = serializers.ListField(
        child=serializers.UUIDField(),
        required=False,
        max_length=50,
        default=list,
        help_text="What the parcel is for; all open orders of the supplier when none is named",
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample("Two packets", value={"code": "(01)04006381333931(10)K7731", "quantity": 2}),
        OpenApiExample(
            "One packet that was read",
            value={
                "code": "04006381333931",
                "lot_code": "K7731",
                "reading": {"sphere_dpt": "-2.02", "cylinder_dpt": "-0.50", "axis_deg": 180},
            },
        ),
    ]
)
class ScanIn(StrictSerializer):
    """A GS1 element string, a trade item number, or the code of a lot that the branch has had."""

    code = serializers.CharField(max_length=200, help_text="As the scanner sends it", trim_whitespace=False)
    quantity = serializers.IntegerField(
        default=1, max_value=100_000, help_text="Packets of the number scanned; pieces for a lot code"
    )
    lot_code = TextField(required=False, allow_blank=True, max_length=40, default="")
    sphere_dpt = power_field(required=False, help_text="On the packet, where its number is that of all powers.")
    cylinder_dpt = power_field(required=False)
    unit_cost = cost_field(required=False, help_text="In the branch's currency, where order and price list say none.")
    over_reason = TextField(
        required=False, allow_blank=True, max_length=200, default="", help_text="Keeps more than was ordered"
    )
    reading = ReadingIn(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if "cylinder_dpt" in attrs and "sphere_dpt" not in attrs:
            raise serializers.ValidationError({"sphere_dpt": "A cylinder stands beside a sphere."}, code="required")
        if "sphere_dpt" in attrs:
            attrs["power"] = (attrs.pop("sphere_dpt"), attrs.pop("cylinder_dpt", Decimal(0)))
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("The second line", value={"line": 2})])
class DeliveryLineIn(StrictSerializer):
    line = serializers.IntegerField(min_value=1, help_text="Its position")


@extend_schema_serializer(
    examples=[OpenApiExample("Kept", value={"line": 1, "reason": "A full packet, agreed with the supplier"})]
)
class OverAcceptIn(DeliveryLineIn):
    reason = TextField(max_length=200)


@extend_schema_serializer(examples=[OpenApiExample("As scanned", value={})])
class DeliveryConfirmIn(StrictSerializer):
    pass


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Addressed to another branch"})])
class DeliveryDiscardIn(ReasonIn):
    pass
