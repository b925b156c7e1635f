from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import Lot, Movement, StockItem


def _power(**kwargs: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="dioptres", max_digits=5, decimal_places=2, **kwargs)


def _matrix() -> serializers.ListField:
    return serializers.ListField(child=serializers.ListField(child=serializers.IntegerField()))


class StockItemOut(serializers.ModelSerializer[StockItem]):
    sku = serializers.SerializerMethodField(help_text="Code of the frame or lens product.")
    description = serializers.SerializerMethodField(help_text="In words, a lens with its power in minus-cylinder form.")

    class Meta:
        model = StockItem
        fields = ["id", "kind", "frame", "lens", "sphere_dpt", "cylinder_dpt", "sku", "description"]
        read_only_fields = fields

    def get_sku(self, item: StockItem) -> str:
        return _article(item).sku

    def get_description(self, item: StockItem) -> str:
        name = _article(item).name
        return name if item.sphere_dpt is None else f"{name} {item.sphere_dpt:+.2f} / {item.cylinder_dpt:+.2f}"


def _article(item: StockItem) -> Any:
    return item.frame if item.kind == StockItem.Kind.FRAME else item.lens


class LotOut(serializers.ModelSerializer[Lot]):
    item = StockItemOut(read_only=True)
    available = serializers.SerializerMethodField(help_text="On hand, promised to nobody and not in quarantine.")

    class Meta:
        model = Lot
        fields = [
            "id",
            "branch",
            "item",
            "code",
            "unit_cost",
            "on_hand",
            "reserved",
            "available",
            "in_transit",
            "is_quarantined",
            "quarantine_reason",
            "created_at",
        ]
        read_only_fields = fields

    def get_available(self, lot: Lot) -> int:
        return 0 if lot.is_quarantined else lot.on_hand - lot.reserved


class MovementOut(serializers.ModelSerializer[Movement]):
    item = serializers.UUIDField(source="lot.item_id", read_only=True)

    class Meta:
        model = Movement
        fields = [
            "id",
            "branch",
            "lot",
            "item",
            "line",
            "kind",
            "on_hand_change",
            "reserved_change",
            "in_transit_change",
            "on_hand_after",
            "reserved_after",
            "in_transit_after",
            "unit_cost",
            "document",
            "reason",
            "by",
            "by_label",
            "created_at",
        ]
        read_only_fields = fields


class ArticleIn(serializers.Serializer[Any]):
    """Part of a shape: a frame, or a lens product in one power."""

    kind = serializers.ChoiceField(StockItem.Kind.choices)
    frame = serializers.UUIDField(required=False, help_text="For kind frame.")
    lens = serializers.UUIDField(required=False, help_text="For kind lens: the product; the power follows.")
    sphere_dpt = _power(required=False, help_text="As on the packet, in either cylinder form.")
    cylinder_dpt = _power(required=False, help_text="As on the packet, in either form; 0 when left out.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        lens = attrs["kind"] == StockItem.Kind.LENS
        needed = {"lens", "sphere_dpt"} if lens else {"frame"}
        foreign = {"frame"} if lens else {"lens", "sphere_dpt", "cylinder_dpt"}
        wrong = dict.fromkeys(needed - set(attrs), "Needed for this kind.")
        wrong |= dict.fromkeys(foreign & set(attrs), "Does not belong to this kind.")
        if wrong:
            raise serializers.ValidationError(wrong, code="kind")
        return attrs


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Ten lenses",
            value={
                "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
                "kind": "lens",
                "lens": "01890a5d-ac96-774b-bcce-b302099a8058",
                "sphere_dpt": "-2.00",
                "cylinder_dpt": "-0.50",
                "lot_code": "L2603-17",
                "quantity": 10,
                "unit_cost": "4.20",
                "delivery_note": "DN-20417",
            },
        ),
        OpenApiExample(
            "One frame",
            value={
                "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
                "kind": "frame",
                "frame": "01890a5d-ac96-774b-bcce-b302099a8059",
                "lot_code": "DN-20417",
                "quantity": 1,
                "unit_cost": "31.00",
            },
        ),
    ]
)
class GoodsReceiptIn(ArticleIn, StrictSerializer):
    branch = serializers.UUIDField()
    lot_code = TextField(max_length=40, help_text="The maker's lot, or a code of your own.")
    quantity = serializers.IntegerField(min_value=1, max_value=10_000)
    unit_cost = UnitDecimalField(unit="the branch's currency, without tax", max_digits=10, min_value=0)
    delivery_note = TextField(max_length=60, required=False, help_text="Number of the paper that came with it.")
    quarantine_reason = TextField(
        max_length=200, required=False, help_text="Why these pieces are kept apart; nothing of them is available then."
    )


@extend_schema_serializer(
    examples=[OpenApiExample("Scratched", value={"quantity": 1, "reason": "scratched while unpacking"})]
)
class LotWriteOffIn(StrictSerializer):
    quantity = serializers.IntegerField(min_value=1, max_value=10_000)
    reason = TextField(max_length=200)


@extend_schema_serializer(
    examples=[OpenApiExample("Wrong power", value={"reason": "packets say -2.00, lenses read -2.50"})]
)
class QuarantineIn(StrictSerializer):
    reason = TextField(max_length=200)


class QuarantinedOut(serializers.Serializer[Any]):
    lot = LotOut()
    promised_to = serializers.ListField(
        child=serializers.CharField(), help_text="Documents that were promised pieces before; they still hold them."
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A frame brought back unworn",
            value={
                "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
                "document": "orders/01890a5d-ac96-774b-bcce-b302099a8063",
                "part": "frame",
                "reason": "unworn, changed for another colour",
            },
        )
    ]
)
class CustomerReturnIn(StrictSerializer):
    branch = serializers.UUIDField()
    document = TextField(max_length=120, help_text="What the piece was taken for, for instance orders/<id>.")
    part = serializers.ChoiceField(["right", "left", "frame"], help_text="Cut lenses are no stock and stay out.")
    reason = TextField(max_length=200)


class GridQueryIn(StrictSerializer):
    branch = serializers.UUIDField()
    lens = serializers.UUIDField(help_text="A finished single vision product.")


class FindQueryIn(GridQueryIn):
    sphere_dpt = _power(help_text="In either cylinder form.")
    cylinder_dpt = _power(required=False, help_text="In either form; 0 when left out.")


class CellOut(serializers.Serializer[Any]):
    sphere_dpt = _power()
    cylinder_dpt = _power()
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField(help_text="On hand, promised to nobody and not in quarantine.")
    quarantined = serializers.IntegerField(help_text="On hand, but kept apart.")
    on_order = serializers.IntegerField(help_text="Ordered from suppliers and not yet received.")
    in_transit = serializers.IntegerField(help_text="On its way here from other branches.")
    minimum = serializers.IntegerField()
    target = serializers.IntegerField()


class MatricesOut(serializers.Serializer[Any]):
    """One matrix per figure: a row per sphere, a column per cylinder, in the order of the axes."""

    on_hand = _matrix()
    available = _matrix()
    on_order = _matrix()
    in_transit = _matrix()
    minimum = _matrix()


class GridOut(serializers.Serializer[Any]):
    """The powers of a product at a branch: the two axes, a matrix per figure, and the cells that are not empty."""

    branch = serializers.UUIDField()
    lens = serializers.UUIDField()
    spheres_dpt = serializers.ListField(child=_power(), help_text="Rows: every sphere of the range, ascending.")
    cylinders_dpt = serializers.ListField(
        child=_power(), help_text="Columns: every cylinder of the range, from 0 to the strongest, minus form."
    )
    matrices = MatricesOut()
    cells = CellOut(
        many=True,
        help_text="A power that is not named holds, awaits and wants nothing. One out of today's range is named.",
    )


class ElsewhereOut(serializers.Serializer[Any]):
    branch = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()
    available = serializers.IntegerField()


class FoundOut(serializers.Serializer[Any]):
    """What a branch holds of one power, in minus-cylinder form, and who else could help out."""

    branch = serializers.UUIDField()
    lens = serializers.UUIDField()
    item = serializers.UUIDField(allow_null=True, help_text="Null when this power was never in stock anywhere.")
    sphere_dpt = _power()
    cylinder_dpt = _power()
    on_hand = serializers.IntegerField()
    reserved = serializers.IntegerField()
    available = serializers.IntegerField(help_text="On hand, promised to nobody and not in quarantine.")
    lots = LotOut(many=True, help_text="Oldest first: the order in which they are used.")
    elsewhere = ElsewhereOut(many=True, help_text="Other branches that you may see and that have one free, most first.")
