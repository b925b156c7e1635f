from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from ..models import PURCHASE_ORDER_MOVES, PurchaseLine, PurchaseOrder
from .shared import ID, OTHER_ID, ArticleIn, ItemOut, ReasonIn, cost_field, power_field

_LINE = {"lens": ID, "sphere_dpt": "-2.00", "cylinder_dpt": "-0.50", "quantity": 4}


class PurchaseLineOut(serializers.ModelSerializer[PurchaseLine]):
    item = ItemOut(read_only=True)
    outstanding = serializers.IntegerField(read_only=True)

    class Meta:
        model = PurchaseLine
        fields = [
            "position",
            "item",
            "supplier_code",
            "quantity",
            "unit_cost",
            "received",
            "cancelled",
            "outstanding",
        ]
        read_only_fields = fields


class PurchaseOrderOut(serializers.ModelSerializer[PurchaseOrder]):
    supplier_name = serializers.CharField(source="supplier.name", read_only=True)
    lines = PurchaseLineOut(many=True, read_only=True)
    allowed_moves = serializers.SerializerMethodField(help_text="States this order may move to from here")

    class Meta:
        model = PurchaseOrder
        fields = [
            "id",
            "branch",
            "supplier",
            "supplier_name",
            "number",
            "state",
            "allowed_moves",
            "currency",
            "total",
            "note",
            "lines",
            "sent_at",
            "expected_on",
            "cancelled_reason",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_allowed_moves(self, order: PurchaseOrder) -> list[str]:
        return sorted(map(str, PURCHASE_ORDER_MOVES[order.state]))


class PurchaseLineIn(ArticleIn):
    """Pieces of a frame, or of a lens in one power (any cylinder form)."""

    sphere_dpt = power_field(required=False)
    cylinder_dpt = power_field(required=False, default=Decimal("0.00"))
    quantity = serializers.IntegerField(max_value=100_000, help_text="Pieces, a multiple of the pack size")
    unit_cost = cost_field(required=False, help_text="The price of today when left out")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        attrs = super().validate(attrs)
        if "lens" in attrs and "sphere_dpt" not in attrs:
            raise serializers.ValidationError({"sphere_dpt": "A lens has a power."}, code="required")
        if "frame" in attrs and ("sphere_dpt" in attrs or attrs["cylinder_dpt"]):
            raise serializers.ValidationError({"sphere_dpt": "A frame has no power."}, code="not_a_lens")
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("Four lenses", value={"branch": OTHER_ID, "supplier": ID, "lines": [_LINE]})]
)
class PurchaseOrderDraftIn(StrictSerializer):
    branch = serializers.UUIDField()
    supplier = serializers.UUIDField()
    lines = serializers.ListField(child=PurchaseLineIn(), max_length=1000)
    note = TextField(required=False, allow_blank=True, max_length=2000, default="")


@extend_schema_serializer(examples=[OpenApiExample("Other lines", value={"lines": [_LINE]})])
class PurchaseOrderAmendIn(StrictSerializer):
    """Lines, when given, replace all that the draft had."""

    lines = serializers.ListField(child=PurchaseLineIn(), required=False, max_length=1000)
    note = TextField(required=False, allow_blank=True, max_length=2000)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("As it is", value={})])
class PurchaseOrderSendIn(StrictSerializer):
    accept_below_minimum = serializers.BooleanField(default=False)


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Supplier is out of stock"})])
class PurchaseOrderCancelIn(ReasonIn):
    pass
