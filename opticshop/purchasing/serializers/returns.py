from __future__ import annotations

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from ..models import RETURN_MOVES, SupplierReturn, SupplierReturnLine
from .shared import ID, OTHER_ID, ItemOut, ReasonIn, cost_field


class ReturnLineOut(serializers.ModelSerializer[SupplierReturnLine]):
    lot_code = serializers.CharField(source="lot.code", read_only=True)
    item = ItemOut(source="lot.item", read_only=True)

    class Meta:
        model = SupplierReturnLine
        fields = ["position", "lot", "lot_code", "item", "quantity", "unit_cost", "reason"]
        read_only_fields = fields


class SupplierReturnOut(serializers.ModelSerializer[SupplierReturn]):
    supplier_name = serializers.CharField(source="supplier.name", read_only=True)
    lines = ReturnLineOut(many=True, read_only=True)
    allowed_moves = serializers.SerializerMethodField(help_text="States this return may move to from here")

    class Meta:
        model = SupplierReturn
        fields = [
            "id",
            "branch",
            "supplier",
            "supplier_name",
            "number",
            "state",
            "allowed_moves",
            "authorisation_number",
            "currency",
            "claimed",
            "credited_amount",
            "credit_note",
            "ended_reason",
            "lines",
            "sent_at",
            "settled_at",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_allowed_moves(self, supplier_return: SupplierReturn) -> list[str]:
        return sorted(map(str, RETURN_MOVES[supplier_return.state]))


class ReturnedPiecesIn(StrictSerializer):
    lot = serializers.UUIDField()
    quantity = serializers.IntegerField(max_value=100_000)
    reason = TextField(max_length=200)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "One packet",
            value={
                "branch": OTHER_ID,
                "supplier": ID,
                "lines": [{"lot": ID, "quantity": 1, "reason": "Wrong power in the packet"}],
            },
        )
    ]
)
class ReturnDraftIn(StrictSerializer):
    branch = serializers.UUIDField()
    supplier = serializers.UUIDField()
    lines = serializers.ListField(child=ReturnedPiecesIn(), max_length=200)
    authorisation_number = TextField(required=False, allow_blank=True, max_length=60, default="")


@extend_schema_serializer(examples=[OpenApiExample("Authorised", value={"authorisation_number": "RA-3301"})])
class ReturnSendIn(StrictSerializer):
    authorisation_number = TextField(required=False, allow_blank=True, max_length=60, default="")


@extend_schema_serializer(examples=[OpenApiExample("Arrived", value={})])
class ReturnAcknowledgeIn(StrictSerializer):
    pass


@extend_schema_serializer(examples=[OpenApiExample("In full", value={"amount": "4.20", "credit_note": "CN-7781"})])
class ReturnCreditIn(StrictSerializer):
    amount = cost_field(unit="money")
    credit_note = TextField(max_length=60)


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Older than the supplier takes back"})])
class ReturnReasonIn(ReasonIn):
    pass
