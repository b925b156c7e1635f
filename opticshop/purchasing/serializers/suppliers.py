from __future__ import annotations

import base64
import binascii
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from ..csv_files import DELIMITERS, ENCODINGS, LARGEST_BYTES
from ..models import BranchTravel, Offer, PriceList, Supplier, SupplierPrice
from ..services.price_lists import FIELDS
from .shared import ID, OTHER_ID, ArticleIn, cost_field, power_field

_SUPPLIER = ["contact_name", "email", "phone", "account_number", "lead_time_days", "currency", "minimum_order"]


class SupplierOut(serializers.ModelSerializer[Supplier]):
    class Meta:
        model = Supplier
        fields = ["id", "name", *_SUPPLIER, "is_active", "note", "created_at", "version"]
        read_only_fields = fields


class _SupplierDetails(StrictSerializer):
    contact_name = TextField(required=False, allow_blank=True, max_length=120)
    email = serializers.EmailField(required=False, allow_blank=True)
    phone = TextField(required=False, allow_blank=True, max_length=40)
    account_number = TextField(required=False, allow_blank=True, max_length=40)
    lead_time_days = serializers.IntegerField(required=False, min_value=0, max_value=365, help_text="Working days")
    currency = serializers.RegexField(r"^[A-Z]{3}$", required=False, help_text="ISO 4217")
    minimum_order = cost_field(unit="money", required=False)
    is_active = serializers.BooleanField(required=False)
    note = TextField(required=False, allow_blank=True, max_length=2000)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A supplier",
            value={
                "name": "Lenticel Lenses (invented)",
                "account_number": "MR-1042",
                "lead_time_days": 3,
                "currency": "GBP",
                "minimum_order": "50.00",
            },
        )
    ]
)
class SupplierAddIn(_SupplierDetails):
    name = TextField(max_length=120)


@extend_schema_serializer(examples=[OpenApiExample("A longer lead time", value={"lead_time_days": 6})])
class SupplierChangeIn(_SupplierDetails):
    name = TextField(max_length=120, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        return _something(attrs)


class OfferOut(serializers.ModelSerializer[Offer]):
    supplier_name = serializers.CharField(source="supplier.name", read_only=True)
    sku = serializers.SerializerMethodField()

    class Meta:
        model = Offer
        fields = [
            "id",
            "supplier",
            "supplier_name",
            "frame",
            "lens",
            "sku",
            "is_preferred",
            "lead_time_days",
            "is_active",
            "created_at",
            "version",
        ]
        read_only_fields = fields

    def get_sku(self, offer: Offer) -> str:
        return _sku(offer)


@extend_schema_serializer(
    examples=[OpenApiExample("A lens", value={"supplier": ID, "lens": OTHER_ID, "is_preferred": True})]
)
class OfferAddIn(ArticleIn):
    supplier = serializers.UUIDField()
    is_preferred = serializers.BooleanField(default=False)
    lead_time_days = serializers.IntegerField(required=False, allow_null=True, min_value=0, max_value=365)


@extend_schema_serializer(examples=[OpenApiExample("Preferred from now on", value={"is_preferred": True})])
class OfferChangeIn(StrictSerializer):
    is_preferred = serializers.BooleanField(required=False)
    lead_time_days = serializers.IntegerField(required=False, allow_null=True, min_value=0, max_value=365)
    is_active = serializers.BooleanField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        return _something(attrs)


_RANGE = ["sphere_from_dpt", "sphere_to_dpt", "cylinder_from_dpt", "cylinder_to_dpt"]


class PriceOut(serializers.ModelSerializer[SupplierPrice]):
    supplier = serializers.UUIDField(source="offer.supplier_id", read_only=True)
    frame = serializers.UUIDField(source="offer.frame_id", read_only=True, allow_null=True)
    lens = serializers.UUIDField(source="offer.lens_id", read_only=True, allow_null=True)
    sku = serializers.SerializerMethodField()

    class Meta:
        model = SupplierPrice
        fields = [
            "id",
            "offer",
            "supplier",
            "frame",
            "lens",
            "sku",
            "supplier_code",
            "gtin",
            "unit_cost",
            "currency",
            "valid_from",
            "pack_size",
            *_RANGE,
            "price_list",
            "created_at",
        ]
        read_only_fields = fields

    def get_sku(self, price: SupplierPrice) -> str:
        return _sku(price.offer)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "One power with its packet",
            value={
                "offer": ID,
                "supplier_code": "CL15-200-050",
                "gtin": "04006381333931",
                "unit_cost": "4.20",
                "currency": "GBP",
                "valid_from": "2026-01-01",
                "sphere_from_dpt": "-2.00",
                "sphere_to_dpt": "-2.00",
                "cylinder_from_dpt": "-0.50",
                "cylinder_to_dpt": "-0.50",
            },
        )
    ]
)
class PriceAddIn(StrictSerializer):
    """Bounds are minus-cylinder form, both ends included; without any the price is for all powers."""

    offer = serializers.UUIDField()
    supplier_code = TextField(required=False, allow_blank=True, max_length=60)
    gtin = TextField(required=False, allow_blank=True, max_length=14, help_text="On the packet")
    unit_cost = cost_field()
    currency = serializers.RegexField(r"^[A-Z]{3}$")
    valid_from = serializers.DateField()
    pack_size = serializers.IntegerField(required=False, min_value=1, max_value=1000, help_text="Pieces in a packet")
    sphere_from_dpt = power_field(required=False)
    sphere_to_dpt = power_field(required=False)
    cylinder_from_dpt = power_field(required=False)
    cylinder_to_dpt = power_field(required=False)


class PriceListOut(serializers.ModelSerializer[PriceList]):
    class Meta:
        model = PriceList
        fields = [
            "id",
            "supplier",
            "file_name",
            "digest",
            "columns",
            "rows",
            "added",
            "changed",
            "unchanged",
            "created_at",
        ]
        read_only_fields = fields


class RowErrorOut(serializers.Serializer[Any]):
    row = serializers.IntegerField(help_text="As a text editor counts; the headings are row 1")
    field = serializers.CharField()  # type: ignore[assignment]
    column = serializers.CharField(help_text="The heading in the file; empty where there is none")
    problem = serializers.CharField()
    allowed = serializers.JSONField(allow_null=True, help_text="What would be right, where it can be said")


class ImportReportOut(serializers.Serializer[Any]):
    """What was done, or would be done by a dry run. With an error nothing is written."""

    price_list = PriceListOut(allow_null=True)
    dry_run = serializers.BooleanField()
    already_imported = serializers.BooleanField(help_text="The same file was imported before; nothing was done now")
    rows = serializers.IntegerField()
    added = serializers.IntegerField()
    changed = serializers.IntegerField(help_text="Prices of the same day that were corrected")
    unchanged = serializers.IntegerField()
    errors = RowErrorOut(many=True)  # type: ignore[assignment]


class ColumnsIn(StrictSerializer):
    """Our field -> the heading of its column in the file."""

    def get_fields(self) -> dict[str, Any]:
        return {name: TextField(required=False, max_length=120) for name in FIELDS}


class Base64Field(serializers.CharField):
    """Bytes as base64 text."""

    def to_internal_value(self, data: Any) -> Any:
        text = super().to_internal_value(data)
        try:
            return base64.b64decode(text, validate=True)
        except (binascii.Error, ValueError) as error:
            raise serializers.ValidationError("This is not base64.", code="base64") from error


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Two columns",
            value={
                "supplier": ID,
                "file_name": "spring.csv",
                "content": base64.b64encode(b"Code,Price\r\nSV-150-70,4.20\r\n").decode(),
                "columns": {"sku": "Code", "unit_cost": "Price"},
                "valid_from": "2026-04-01",
                "dry_run": True,
            },
        )
    ]
)
class PriceListImportIn(StrictSerializer):
    supplier = serializers.UUIDField()
    file_name = TextField(required=False, allow_blank=True, max_length=120, default="")
    content = Base64Field(
        max_length=LARGEST_BYTES * 2,
        help_text=f"The file, as base64; at most {LARGEST_BYTES} bytes",
        trim_whitespace=True,
    )
    columns = ColumnsIn()
    encoding = serializers.ChoiceField(ENCODINGS, default="utf-8")
    delimiter = serializers.ChoiceField(DELIMITERS, default=",")
    decimal_mark = serializers.ChoiceField([".", ","], default=".")
    currency = serializers.RegexField(r"^[A-Z]{3}$", required=False, help_text="Where no column says it")
    valid_from = serializers.DateField(required=False, default=None, help_text="Where no column says it")
    dry_run = serializers.BooleanField(default=False, help_text="Only report what would be done")


class TravelOut(serializers.ModelSerializer[BranchTravel]):
    origin_code = serializers.CharField(source="origin.code", read_only=True)
    destination_code = serializers.CharField(source="destination.code", read_only=True)

    class Meta:
        model = BranchTravel
        fields = ["id", "origin", "origin_code", "destination", "destination_code", "days"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("A day", value={"origin": ID, "destination": OTHER_ID, "days": 1})])
class TravelSetIn(StrictSerializer):
    origin = serializers.UUIDField()
    destination = serializers.UUIDField()
    days = serializers.IntegerField(min_value=0, max_value=60, help_text="Working days")


def _something(attrs: dict[str, Any]) -> dict[str, Any]:
    if not attrs:
        raise serializers.ValidationError("Name at least one field to change.", code="empty")
    return attrs


def _sku(offer: Offer) -> str:
    article = offer.frame or offer.lens
    return article.sku if article else ""
