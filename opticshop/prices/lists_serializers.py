from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from .lists_models import ListPrice, PriceList

_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
ARTICLES = ("frame", "lens", "service")
#: Most rows of one request.
MOST_ROWS = 2000


class ListPriceIn(StrictSerializer):
    """The price of one article: name a frame, a lens or a service."""

    frame = serializers.UUIDField(required=False)
    lens = serializers.UUIDField(required=False)
    service = serializers.UUIDField(required=False, help_text="Treatments and the dispensing fee are services")
    price = UnitDecimalField(unit="the list's currency, tax included", max_digits=10, min_value=0)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if sum(name in attrs for name in ARTICLES) != 1:
            raise serializers.ValidationError("Name one article: a frame, a lens or a service.", code="one_article")
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("Prices", value={"rows": [{"frame": _ID, "price": "99.00"}]})],
)
class ListRowsIn(StrictSerializer):
    rows = ListPriceIn(many=True, min_length=1, max_length=MOST_ROWS)  # type: ignore[call-arg]


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Spring prices of the group",
            value={
                "name": "Spring 2030",
                "currency": "GBP",
                "valid_from": "2030-04-01",
                "rows": [{"service": _ID, "price": "65.00"}],
            },
        )
    ]
)
class SalePriceListAddIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, help_text="Left out: for the group")
    name = TextField(max_length=80)
    currency = serializers.RegexField(r"^[A-Z]{3}$", help_text="ISO 4217")
    valid_from = serializers.DateField(help_text="First day, today or later")
    valid_to = serializers.DateField(required=False, help_text="Last day; left out: until another list takes over")
    rows = ListPriceIn(many=True, required=False, max_length=MOST_ROWS)  # type: ignore[call-arg]


@extend_schema_serializer(examples=[OpenApiExample("Last day", value={"valid_to": "2030-06-30"})])
class SalePriceListEndIn(StrictSerializer):
    valid_to = serializers.DateField()


class SalePriceListOut(serializers.ModelSerializer[PriceList]):
    row_count = serializers.IntegerField(read_only=True)

    class Meta:
        model = PriceList
        fields = ["id", "branch", "name", "currency", "valid_from", "valid_to", "row_count", "created_at"]
        read_only_fields = fields


class ListPriceOut(serializers.ModelSerializer[ListPrice]):
    sku = serializers.SerializerMethodField()

    class Meta:
        model = ListPrice
        fields = ["id", "price_list", "frame", "lens", "service", "sku", "price"]
        read_only_fields = fields

    def get_sku(self, row: ListPrice) -> str:
        return (row.frame or row.lens or row.service).sku  # type: ignore[union-attr]


class SalePriceQueryIn(StrictSerializer):
    """Which article, where, and when."""

    branch = serializers.UUIDField()
    article = serializers.UUIDField(help_text="A frame, a lens or a service")
    on = serializers.DateField(required=False, help_text="Today by default")


class SalePriceOut(serializers.Serializer[Any]):
    article = serializers.UUIDField(source="article.id")
    sku = serializers.CharField(source="article.sku")
    price = serializers.DecimalField(10, 2)
    currency = serializers.CharField()
    decided_by = serializers.SerializerMethodField(help_text="branch_list, group_list or catalogue")
    price_list = serializers.UUIDField(source="price_list.id", default=None, allow_null=True)
    price_list_name = serializers.CharField(source="price_list.name", default=None, allow_null=True)
    valid_from = serializers.DateField(source="price_list.valid_from", default=None, allow_null=True)

    def get_decided_by(self, found: Any) -> str:
        if found.price_list is None:
            return "catalogue"
        return "group_list" if found.price_list.branch_id is None else "branch_list"
