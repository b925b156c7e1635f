from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from .promotions_models import Promotion, PromotionUse

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
_MONEY = "the currency of the promotion"


class PromotionOut(serializers.ModelSerializer[Promotion]):
    class Meta:
        model = Promotion
        fields = [
            "id",
            "code",
            "name",
            "kind",
            "amount",
            "currency",
            "branch",
            "valid_from",
            "valid_to",
            "minimum_spend",
            "once_per_customer",
            "use_limit",
            "limit_used",
            "complete_pairs_only",
            "combines",
            "ended_at",
            "end_reason",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A tenth off complete pairs",
            value={
                "code": "SPRING10",
                "name": "A tenth off in spring (invented)",
                "kind": "percent",
                "amount": "10.00",
                "currency": "GBP",
                "valid_from": "2026-03-01",
                "valid_to": "2026-05-31",
                "minimum_spend": "100.00",
                "once_per_customer": True,
                "use_limit": 500,
                "complete_pairs_only": True,
            },
        )
    ]
)
class PromotionCreateIn(StrictSerializer):
    code = serializers.RegexField(
        r"^[A-Za-z0-9-]{2,20}$", help_text="As it is given at the till; capitals do not count."
    )
    name = TextField(max_length=120)
    kind = serializers.ChoiceField(Promotion.Kind.choices)
    amount = UnitDecimalField(unit="the currency of the promotion, or percent", max_digits=8, min_value=0)
    currency = serializers.RegexField(r"^[A-Z]{3}$", help_text="ISO 4217")
    branch = serializers.UUIDField(required=False, help_text="Left out: the whole group")
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, help_text="Last day; left out: until it is ended")
    minimum_spend = UnitDecimalField(unit=_MONEY, max_digits=8, min_value=0, required=False)
    once_per_customer = serializers.BooleanField(required=False)
    use_limit = serializers.IntegerField(
        min_value=1, max_value=1_000_000, required=False, help_text="Uses altogether; left out: no limit"
    )
    complete_pairs_only = serializers.BooleanField(required=False)
    combines = serializers.BooleanField(required=False, help_text="With others that combine, on one document")


@extend_schema_serializer(examples=[OpenApiExample("Ended early", value={"reason": "Sold out"})])
class PromotionEndIn(StrictSerializer):
    reason = TextField(max_length=200)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Before an order", value={"code": "SPRING10", "branch": _ID, "total": "220.00", "is_complete_pair": True}
        )
    ]
)
class PromotionCheckIn(StrictSerializer):
    code = TextField(max_length=20)
    branch = serializers.UUIDField()
    customer = serializers.UUIDField(required=False, help_text="Asks also whether this customer has had it")
    total = UnitDecimalField(unit="the currency of the branch", max_digits=10, min_value=0)
    is_complete_pair = serializers.BooleanField(help_text="A frame and both lenses")
    on = serializers.DateField(required=False, help_text="Today by default")


class PromotionRefusalOut(serializers.Serializer[Any]):
    reason = serializers.CharField(help_text="A stable word, such as below_minimum.")
    words = serializers.CharField()


class PromotionCheckOut(serializers.Serializer[Any]):
    """What it takes off, or every reason why nothing."""

    promotion = serializers.UUIDField(source="promotion.id")
    code = serializers.CharField(source="promotion.code")
    name = serializers.CharField(source="promotion.name")
    applies = serializers.BooleanField()
    total = serializers.DecimalField(10, 2)
    discount = serializers.DecimalField(10, 2)
    refusals = PromotionRefusalOut(many=True)


class PromotionUseOut(serializers.ModelSerializer[PromotionUse]):
    code = serializers.SerializerMethodField()

    class Meta:
        model = PromotionUse
        fields = [
            "id",
            "branch",
            "promotion",
            "code",
            "customer",
            "document",
            "amount",
            "currency",
            "state",
            "used_at",
            "given_back_at",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.CharField())
    def get_code(self, use: PromotionUse) -> str:
        return use.promotion.code
