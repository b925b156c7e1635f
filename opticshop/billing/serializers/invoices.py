from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import Invoice
from .payments import MoneyOut, OrderNamedOut, ReceiptLineOut, SellerOut, TaxPartOut

_ORDER = "01890a5d-ac96-774b-bcce-b302099a8057"


class InvoiceSellerOut(SellerOut):
    country = serializers.CharField()


class BuyerOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    address = serializers.CharField()
    tax_number = serializers.CharField()


class RefersToOut(serializers.Serializer[Any]):
    number = serializers.CharField()
    issued_on = serializers.DateField()


class InvoiceContentOut(serializers.Serializer[Any]):
    """The frozen figures. Amounts of a credit note are positive; it has no price lines."""

    seller = InvoiceSellerOut()
    buyer = BuyerOut()
    issued_on = serializers.DateField()
    supplied_on = serializers.DateField(allow_null=True)
    order = OrderNamedOut()
    currency = serializers.CharField()
    lines = ReceiptLineOut(many=True)
    tax_summary = TaxPartOut(many=True)
    tax_note = serializers.CharField(required=False, help_text="What the tax rule of the branch wants printed")
    tax_reasons = serializers.DictField(
        required=False, child=serializers.CharField(), help_text="Why no tax is due, by category"
    )
    net_total = MoneyOut()
    tax_total = MoneyOut()
    total = MoneyOut()
    paid = MoneyOut(help_text="By the day of the invoice")
    payable = MoneyOut()
    refers_to = RefersToOut(allow_null=True, help_text="The invoice that a credit note corrects")
    reason = serializers.CharField()


class InvoiceOut(serializers.ModelSerializer[Invoice]):
    content = serializers.SerializerMethodField()

    class Meta:
        model = Invoice
        fields = [
            "id",
            "branch",
            "order",
            "kind",
            "number",
            "credits",
            "issued_on",
            "total",
            "tax_total",
            "currency",
            "reason",
            "issued_by",
            "content",
        ]
        read_only_fields = fields

    @extend_schema_field(InvoiceContentOut)
    def get_content(self, invoice: Invoice) -> Any:
        return invoice.content


class BuyerIn(StrictSerializer):
    """Whom the invoice is made out to; what is left out is the customer's."""

    name = TextField(required=False, max_length=120)
    address = TextField(required=False, max_length=400)
    tax_number = TextField(required=False, max_length=40)


class InvoiceExportIn(StrictSerializer):
    exporter = serializers.SlugField(
        max_length=80, required=False, default="ubl-2-1", help_text="Name that a plugin gave to its format"
    )


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "To an employer",
            value={"order": _ORDER, "buyer": {"name": "Weir Works Ltd (invented)", "address": "2 Weir Lane"}},
        )
    ]
)
class InvoiceIssueIn(StrictSerializer):
    order = serializers.UUIDField()
    buyer = BuyerIn(required=False)


@extend_schema_serializer(examples=[OpenApiExample("All of it", value={"reason": "Made out to the wrong company"})])
class InvoiceCreditIn(StrictSerializer):
    amount = UnitDecimalField(
        unit="the currency of the invoice",
        max_digits=10,
        decimal_places=2,
        min_value=Decimal("0.01"),
        required=False,
        help_text="Left out: all that still stands",
    )
    reason = TextField(max_length=200)
