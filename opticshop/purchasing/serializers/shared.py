from __future__ import annotations

from decimal import Decimal
from typing import Any

from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField
from opticshop.stock.models import StockItem

ID = "01890a5d-ac96-774b-bcce-b302099a8057"
OTHER_ID = "01890a5d-ac96-774b-bcce-b302099a8058"
EYES = ["right", "left"]


def power_field(**more: Any) -> UnitDecimalField:
    return UnitDecimalField(unit="dioptres", max_digits=5, min_value=-40, max_value=40, **more)


def cost_field(**more: Any) -> UnitDecimalField:
    return UnitDecimalField(unit=more.pop("unit", "money, for one piece"), max_digits=10, min_value=0, **more)


class ItemOut(serializers.ModelSerializer[StockItem]):
    """What is counted: a frame, or a lens product in one power (minus-cylinder form)."""

    sku = serializers.SerializerMethodField()
    name = serializers.SerializerMethodField()

    class Meta:
        model = StockItem
        fields = ["id", "kind", "frame", "lens", "sku", "name", "sphere_dpt", "cylinder_dpt"]
        read_only_fields = fields

    def get_sku(self, item: StockItem) -> str:
        return _article(item).sku

    def get_name(self, item: StockItem) -> str:
        return _article(item).name


def _article(item: StockItem) -> Any:
    return item.frame if item.kind == StockItem.Kind.FRAME else item.lens


class ArticleIn(StrictSerializer):
    """One frame, or one lens product."""

    frame = serializers.UUIDField(required=False)
    lens = serializers.UUIDField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("frame" in attrs) == ("lens" in attrs):
            raise serializers.ValidationError("Name a frame or a lens, one of them.", code="one_article")
        return attrs


class ReasonIn(StrictSerializer):
    reason = TextField(max_length=300)


class ReadingIn(StrictSerializer):
    """What the focimeter shows, in either cylinder sign. Without cylinder write 0 and no axis."""

    sphere_dpt = power_field()
    cylinder_dpt = UnitDecimalField(unit="dioptres", max_digits=5, min_value=-15, max_value=15, default=Decimal("0.00"))
    axis_deg = serializers.IntegerField(min_value=1, max_value=180, required=False, allow_null=True)
    addition_dpt = UnitDecimalField(
        unit="dioptres", max_digits=4, min_value=0, max_value=10, required=False, allow_null=True
    )
    prism_in_dpt = UnitDecimalField(
        unit="prism dioptres at the reference point, base in positive; 0 when none shows",
        max_digits=5,
        min_value=-40,
        max_value=40,
        default=Decimal("0.00"),
    )
    prism_up_dpt = UnitDecimalField(
        unit="prism dioptres at the reference point, base up positive; 0 when none shows",
        max_digits=5,
        min_value=-40,
        max_value=40,
        default=Decimal("0.00"),
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if bool(attrs["cylinder_dpt"]) != (attrs.get("axis_deg") is not None):
            raise serializers.ValidationError(
                {"axis_deg": "A cylinder has an axis, and only a cylinder has one."}, code="axis"
            )
        return attrs
