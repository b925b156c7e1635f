from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer

from ..models import Expected, StockLevel
from .lots import ArticleIn, StockItemOut

_EXAMPLE = {
    "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
    "kind": "lens",
    "lens": "01890a5d-ac96-774b-bcce-b302099a8058",
    "sphere_dpt": "-2.00",
    "cylinder_dpt": "-0.50",
    "minimum": 2,
    "target": 6,
}


class StockLevelOut(serializers.ModelSerializer[StockLevel]):
    item = StockItemOut(read_only=True)

    class Meta:
        model = StockLevel
        fields = ["id", "branch", "item", "minimum", "target", "created_at"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("Two to six of one power", value=_EXAMPLE)])
class StockLevelIn(ArticleIn, StrictSerializer):
    branch = serializers.UUIDField()
    minimum = serializers.IntegerField(min_value=0, max_value=10_000)
    target = serializers.IntegerField(min_value=0, max_value=10_000, help_text="At least the minimum; 0 ends it.")


class ExpectedOut(serializers.ModelSerializer[Expected]):
    item = StockItemOut(read_only=True)

    class Meta:
        model = Expected
        fields = ["id", "branch", "item", "quantity"]
        read_only_fields = fields


class ValuedKindOut(serializers.Serializer[Any]):
    kind = serializers.CharField()
    pieces = serializers.IntegerField()
    value = serializers.DecimalField(max_digits=14, decimal_places=2)


class ValuationOut(serializers.Serializer[Any]):
    """What the stock of a branch is worth at a moment, and how it came to that."""

    branch = serializers.UUIDField()
    code = serializers.CharField()
    currency = serializers.CharField()
    method = serializers.ChoiceField(["fifo", "average"])
    at = serializers.DateTimeField()
    on_hand_pieces = serializers.IntegerField()
    on_hand_value = serializers.DecimalField(max_digits=14, decimal_places=2)
    in_transit_pieces = serializers.IntegerField(help_text="Sent and not arrived: still this branch's.")
    in_transit_value = serializers.DecimalField(max_digits=14, decimal_places=2)
    by_kind = ValuedKindOut(many=True, help_text="On hand, frames and lenses apart.")
    flows = ValuedKindOut(
        many=True,
        help_text="By kind of movement since the beginning, at cost; their sum is the value on hand and in transit.",
    )


class ValuationsOut(serializers.Serializer[Any]):
    results = ValuationOut(many=True)


class ValuationQueryIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="All branches that you may value, when left out.")
    at = serializers.DateTimeField(required=False, help_text="A moment with its offset from UTC; now when left out.")
