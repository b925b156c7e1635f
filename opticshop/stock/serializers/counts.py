from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import CountLine, StockCount, StockItem
from .lots import ArticleIn, StockItemOut


class SectionIn(StrictSerializer):
    """What is counted. Every condition narrows further; none at all means the whole branch."""

    kind = serializers.ChoiceField(StockItem.Kind.choices, required=False)
    lens = serializers.UUIDField(required=False, help_text="A lens product.")
    sphere_from_dpt = UnitDecimalField(unit="dioptres", max_digits=5, required=False, help_text="Minus-cylinder form.")
    sphere_to_dpt = UnitDecimalField(unit="dioptres", max_digits=5, required=False)
    maker = TextField(max_length=80, required=False, help_text="Maker of the frames.")
    sku_prefix = TextField(max_length=40, required=False, help_text="Beginning of the article's code.")
    items = serializers.ListField(
        child=serializers.UUIDField(), required=False, allow_empty=False, max_length=500, help_text="These items only."
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        low, high = attrs.get("sphere_from_dpt"), attrs.get("sphere_to_dpt")
        if low is not None and high is not None and low > high:
            raise serializers.ValidationError({"sphere_to_dpt": "Lies below sphere_from_dpt."}, code="range")
        return attrs


class CountOut(serializers.ModelSerializer[StockCount]):
    section = serializers.JSONField(read_only=True)
    lines_total = serializers.IntegerField(read_only=True)
    lines_counted = serializers.IntegerField(read_only=True)

    class Meta:
        model = StockCount
        fields = [
            "id",
            "number",
            "branch",
            "section",
            "state",
            "note",
            "lines_total",
            "lines_counted",
            "opened_by_label",
            "created_at",
            "submitted_at",
            "submitted_by_label",
            "decided_at",
            "decided_by_label",
            "decision_reason",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "The drawer of low minus powers",
            value={
                "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
                "section": {
                    "lens": "01890a5d-ac96-774b-bcce-b302099a8058",
                    "sphere_from_dpt": "-2.00",
                    "sphere_to_dpt": "0.00",
                },
                "note": "weekly",
            },
        )
    ]
)
class CountOpenIn(StrictSerializer):
    branch = serializers.UUIDField()
    section = SectionIn(required=False)
    note = TextField(max_length=200, required=False, allow_blank=True)


class CountLineOut(serializers.ModelSerializer[CountLine]):
    """A lot on a sheet. What the ledger expects is shown once it was counted, not before."""

    lot_code = serializers.CharField(source="lot.code", read_only=True)
    item = StockItemOut(source="lot.item", read_only=True)
    variance = serializers.SerializerMethodField(help_text="Counted less expected; null until it was counted.")
    is_below_reserved = serializers.SerializerMethodField(help_text="Less was found than is promised of it.")

    class Meta:
        model = CountLine
        fields = [
            "id",
            "count",
            "lot",
            "lot_code",
            "item",
            "counted",
            "expected",
            "reserved",
            "variance",
            "is_below_reserved",
            "readings",
            "counted_at",
            "counted_by_label",
        ]
        read_only_fields = fields

    def get_variance(self, line: CountLine) -> int | None:
        return None if line.counted is None or line.expected is None else line.counted - line.expected

    def get_is_below_reserved(self, line: CountLine) -> bool:
        return line.counted is not None and line.reserved is not None and line.counted < line.reserved


@extend_schema_serializer(
    examples=[
        OpenApiExample("Seven in the drawer", value={"lot": "01890a5d-ac96-774b-bcce-b302099a8062", "counted": 7})
    ]
)
class CountRecordIn(StrictSerializer):
    lot = serializers.UUIDField()
    counted = serializers.IntegerField(min_value=0, max_value=100_000, help_text="Everything found, promised or not.")


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Two lenses nobody knew of",
            value={
                "kind": "lens",
                "lens": "01890a5d-ac96-774b-bcce-b302099a8058",
                "sphere_dpt": "-2.00",
                "lot_code": "FOUND-1",
                "unit_cost": "4.20",
                "counted": 2,
            },
        )
    ]
)
class CountFoundIn(ArticleIn, StrictSerializer):
    lot_code = TextField(max_length=40)
    unit_cost = UnitDecimalField(
        unit="the branch's currency, without tax", max_digits=10, min_value=0, help_text="Used when the lot is new."
    )
    counted = serializers.IntegerField(min_value=0, max_value=100_000)


@extend_schema_serializer(examples=[OpenApiExample("All counted", value={"leave_uncounted": False})])
class CountSubmitIn(StrictSerializer):
    leave_uncounted = serializers.BooleanField(required=False, help_text="Lots that nobody counted stay as they are.")


@extend_schema_serializer(
    examples=[OpenApiExample("Accepted", value={"reason": "weekly count", "accept_stale": False})]
)
class CountApproveIn(StrictSerializer):
    reason = TextField(max_length=200)
    accept_stale = serializers.BooleanField(
        required=False, help_text="Accept lots that differ although pieces moved after they were counted."
    )


class VarianceOut(CountLineOut):
    value = serializers.DecimalField(max_digits=14, decimal_places=2, help_text="Variance at the cost of the lot.")
    moves_since = serializers.IntegerField(help_text="Movements of its pieces after it was counted.")
    change_since = serializers.IntegerField(help_text="Pieces more or less by those movements.")
    is_stale = serializers.BooleanField(help_text="Pieces moved after it was counted, and it is not adjusted yet.")

    class Meta(CountLineOut.Meta):
        fields = [*CountLineOut.Meta.fields, "value", "moves_since", "change_since", "is_stale"]
        read_only_fields = fields


class VariancesOut(serializers.Serializer[Any]):
    """What a count found: the lots that differ, and the sums over all that were counted."""

    count = serializers.UUIDField(source="count.id")
    state = serializers.CharField(source="count.state")
    lines = VarianceOut(many=True)
    lines_counted = serializers.IntegerField()
    lines_exact = serializers.IntegerField()
    surplus_pieces = serializers.IntegerField()
    missing_pieces = serializers.IntegerField()
    surplus_value = serializers.DecimalField(max_digits=14, decimal_places=2)
    missing_value = serializers.DecimalField(max_digits=14, decimal_places=2)
