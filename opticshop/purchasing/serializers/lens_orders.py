from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from ..models import LENS_ORDER_MOVES, LensOrder
from ..selectors import endangers_promise, is_late
from .shared import EYES, ID, ReadingIn, ReasonIn, cost_field


class LensOrderOut(serializers.ModelSerializer[LensOrder]):
    """A lens for one eye of one order. Power to supply in dioptres, minus-cylinder form; centration in mm."""

    order_number = serializers.CharField(source="order.number", read_only=True)
    sku = serializers.CharField(source="product.sku", read_only=True)
    supplier_name = serializers.CharField(source="supplier.name", read_only=True, allow_null=True, default=None)
    is_late = serializers.SerializerMethodField(help_text="On its way, wanted, and due before today")
    endangers_promise = serializers.SerializerMethodField(
        help_text="On its way, and due no earlier than the day on which the pair is promised"
    )
    allowed_moves = serializers.SerializerMethodField(help_text="States this lens order may move to from here")

    class Meta:
        model = LensOrder
        fields = [
            "id",
            "branch",
            "number",
            "order",
            "order_number",
            "eye",
            "attempt",
            "reason",
            "state",
            "allowed_moves",
            "is_late",
            "endangers_promise",
            "is_wanted",
            "product",
            "sku",
            "sphere_dpt",
            "cylinder_dpt",
            "axis_deg",
            "addition_dpt",
            "prism_in_dpt",
            "prism_up_dpt",
            "centration_distance_mm",
            "centration_height_mm",
            "diameter_mm",
            "supplier",
            "supplier_name",
            "unit_cost",
            "currency",
            "sent_at",
            "expected_on",
            "promised_on",
            "supplier_reference",
            "received_at",
            "lot",
            "outcome",
            "reading",
            "standard",
            "standard_version",
            "verdict",
            "unchecked_reason",
            "fault",
            "cancelled_reason",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_is_late(self, lens_order: LensOrder) -> bool:
        return is_late(lens_order)

    def get_endangers_promise(self, lens_order: LensOrder) -> bool:
        return endangers_promise(lens_order)

    def get_allowed_moves(self, lens_order: LensOrder) -> list[str]:
        return sorted(map(str, LENS_ORDER_MOVES[lens_order.state]))


@extend_schema_serializer(examples=[OpenApiExample("All eyes", value={"order": ID})])
class LensOrdersDraftIn(StrictSerializer):
    order = serializers.UUIDField()
    eyes = serializers.ListField(child=serializers.ChoiceField(EYES), required=False, min_length=1, max_length=2)
    reason = TextField(required=False, allow_blank=True, max_length=300, default="")


class LensOrdersDraftedOut(serializers.Serializer[Any]):
    drafted = LensOrderOut(many=True)


@extend_schema_serializer(examples=[OpenApiExample("Another supplier", value={"supplier": ID, "unit_cost": "38.50"})])
class LensOrderAssignIn(StrictSerializer):
    supplier = serializers.UUIDField(required=False)
    unit_cost = cost_field(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name a supplier or a cost.", code="empty")
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("As it is", value={})])
class LensOrderSendIn(StrictSerializer):
    pass


@extend_schema_serializer(
    examples=[OpenApiExample("Promised", value={"promised_on": "2030-03-12", "supplier_reference": "RX-55120"})]
)
class LensOrderConfirmIn(StrictSerializer):
    promised_on = serializers.DateField()
    supplier_reference = TextField(required=False, allow_blank=True, max_length=60, default="")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Read on receipt",
            value={
                "lot_code": "RX-55120",
                "reading": {
                    "sphere_dpt": "-4.02",
                    "cylinder_dpt": "-1.00",
                    "axis_deg": 171,
                    "addition_dpt": "2.00",
                },
            },
        )
    ]
)
class LensOrderReceiveIn(StrictSerializer):
    reading = ReadingIn(required=False)
    unchecked_reason = TextField(
        required=False, allow_blank=True, max_length=200, default="", help_text="Why the lens was not read"
    )
    lot_code = TextField(required=False, allow_blank=True, max_length=40, default="")
    unit_cost = cost_field(required=False, help_text="In the branch's currency, where the supplier charges another.")


@extend_schema_serializer(examples=[OpenApiExample("Scratched", value={"reason": "Scratched", "is_here": True})])
class LensOrderFaultIn(ReasonIn):
    is_here = serializers.BooleanField(help_text="Whether the faulty piece lies here; it goes into quarantine then")


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Another supplier is quicker"})])
class LensOrderCancelIn(ReasonIn):
    pass
