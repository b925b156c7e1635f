from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .quotations_models import Quotation, QuotationLine
from .quotations_services import VALID_DAYS
from .serializers import LINE_FIELDS, OrderPlaceIn, PriceReasonOut

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"


class QuotationLineOut(serializers.ModelSerializer[QuotationLine]):
    reasons = PriceReasonOut(many=True, read_only=True)

    class Meta:
        model = QuotationLine
        fields = [*LINE_FIELDS, "lens", "service"]
        read_only_fields = fields


class QuotationOut(serializers.ModelSerializer[Quotation]):
    lines = QuotationLineOut(many=True, read_only=True)
    order = serializers.SerializerMethodField(help_text="The order placed at this price")

    class Meta:
        model = Quotation
        fields = [
            "id",
            "branch",
            "number",
            "customer",
            "prescription",
            "measurement",
            "frame",
            "frame_is_customers",
            "purpose",
            "state",
            "quoted_at",
            "quoted_by",
            "valid_to",
            "currency",
            "total",
            "tax_total",
            "promotion_code",
            "withdrawn_reason",
            "order",
            "lines",
            "note",
            "version",
        ]
        read_only_fields = fields

    def get_order(self, quotation: Quotation) -> str | None:
        order: Any = getattr(quotation, "order", None)
        return order and str(order.id)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A price kept for two weeks",
            value={
                "branch": _ID,
                "customer": _ID,
                "prescription": _ID,
                "measurement": _ID,
                "frame": _ID,
                "lenses": {"right": _ID, "left": _ID},
                "purpose": "distance",
                "valid_days": 14,
            },
        )
    ]
)
class QuotationMakeIn(OrderPlaceIn):
    promised_on = None  # type: ignore[assignment]  # a day is promised when the quotation is accepted
    valid_days = serializers.IntegerField(
        default=VALID_DAYS, min_value=1, max_value=366, help_text="Days after today on which it can be accepted"
    )


@extend_schema_serializer(examples=[OpenApiExample("As soon as possible", value={})])
class QuotationAcceptIn(StrictSerializer):
    promised_on = serializers.DateField(required=False)


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "Customer decided against it"})])
class QuotationWithdrawIn(StrictSerializer):
    reason = TextField(max_length=300)
