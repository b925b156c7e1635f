from __future__ import annotations

from decimal import Decimal
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField, UnitDecimalField

from ..models import Payment, Receipt

_ORDER = "01890a5d-ac96-774b-bcce-b302099a8057"
_UNIT = "the currency of the order"


class ReceiptBriefOut(serializers.ModelSerializer[Receipt]):
    class Meta:
        model = Receipt
        fields = ["id", "number"]
        read_only_fields = fields


class PaymentOut(serializers.ModelSerializer[Payment]):
    receipt = ReceiptBriefOut(read_only=True)

    class Meta:
        model = Payment
        fields = [
            "id",
            "branch",
            "order",
            "kind",
            "method",
            "amount",
            "currency",
            "reference",
            "refunds",
            "reason",
            "till_day",
            "voucher",
            "lowers_price",
            "taken_at",
            "taken_by",
            "receipt",
        ]
        read_only_fields = fields


class TillField(serializers.RegexField):
    """The code of a till within its branch."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(r"^[a-z0-9-]{1,20}$", **kwargs)


class MoneyOut(serializers.DecimalField):
    """An amount in the currency named beside it."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_digits=10, decimal_places=2, **kwargs)


class SellerOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    address = serializers.CharField()
    phone = serializers.CharField()
    tax_number = serializers.CharField()


class OrderNamedOut(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    number = serializers.CharField()


class ReceiptLineOut(serializers.Serializer[Any]):
    description = serializers.CharField()
    quantity = serializers.IntegerField()
    unit_price = MoneyOut()
    discount = MoneyOut()
    gross = MoneyOut()
    tax_category = serializers.CharField()
    tax_rate_percent = serializers.DecimalField(max_digits=5, decimal_places=2)
    tax = MoneyOut()


class TaxPartOut(serializers.Serializer[Any]):
    category = serializers.CharField()
    rate_percent = serializers.DecimalField(max_digits=5, decimal_places=2)
    net = MoneyOut()
    tax = MoneyOut()
    gross = MoneyOut()


class ReceiptContentOut(serializers.Serializer[Any]):
    """The figures as they were frozen when the receipt was written."""

    kind = serializers.ChoiceField(Payment.Kind.choices)
    is_deposit = serializers.BooleanField()
    seller = SellerOut()
    issued_on = serializers.DateField()
    tax_point_on = serializers.DateField()
    order = OrderNamedOut()
    currency = serializers.CharField()
    lines = ReceiptLineOut(many=True)
    tax_summary = TaxPartOut(many=True, help_text="The whole price, by tax category and rate")
    payment_tax = TaxPartOut(many=True, help_text="The part of each that this payment covers or gives back")
    tax_note = serializers.CharField(required=False, help_text="What the tax rule of the branch wants printed")
    tax_reasons = serializers.DictField(
        required=False, child=serializers.CharField(), help_text="Why no tax is due, by category"
    )
    total = MoneyOut()
    tax_total = MoneyOut()
    paid_before = MoneyOut()
    amount = MoneyOut(help_text="Negative for a refund")
    method = serializers.ChoiceField(Payment.Method.choices)
    reference = serializers.CharField()
    balance_due = MoneyOut()
    refers_to = serializers.CharField(help_text="Number of the receipt that a refund refers to")
    reason = serializers.CharField()


class ReceiptOut(serializers.ModelSerializer[Receipt]):
    order = serializers.UUIDField(source="payment.order_id", read_only=True)
    content = serializers.SerializerMethodField()

    class Meta:
        model = Receipt
        fields = ["id", "branch", "number", "payment", "order", "issued_on", "content"]
        read_only_fields = fields

    @extend_schema_field(ReceiptContentOut)
    def get_content(self, receipt: Receipt) -> Any:
        return receipt.content


class BalanceOut(serializers.Serializer[Any]):
    """What an order costs, what was paid for it and what is still owed. A cancelled order owes nothing."""

    order = serializers.UUIDField()
    total = MoneyOut()
    paid = MoneyOut(help_text="Payments less refunds")
    due = MoneyOut()
    credited = MoneyOut(help_text="Given back after the pair was supplied: the price is lower by it")
    written_off = MoneyOut(help_text="Given up: nobody pays it any more")
    forfeited = MoneyOut(help_text="Kept of what was paid for a cancelled order")
    currency = serializers.CharField()


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A deposit by card",
            value={"order": _ORDER, "amount": "50.00", "method": "card", "reference": "T-0042"},
        ),
        OpenApiExample("A voucher of a scheme", value={"order": _ORDER, "method": "voucher", "voucher": _ORDER}),
    ]
)
class PaymentTakeIn(StrictSerializer):
    order = serializers.UUIDField()
    amount = UnitDecimalField(
        unit=_UNIT,
        max_digits=10,
        decimal_places=2,
        min_value=Decimal("0.01"),
        required=False,
        help_text="Left out only with a voucher, which says it",
    )
    voucher = serializers.UUIDField(required=False, help_text="A voucher of a scheme, redeemed by this payment")
    method = serializers.ChoiceField(Payment.Method.choices)
    reference = TextField(
        required=False,
        allow_blank=True,
        max_length=80,
        help_text="The terminal's or the transfer's own reference. Card numbers are refused.",
    )
    till = TillField(required=False, help_text="Left out: main, which opens by itself")


@extend_schema_serializer(
    examples=[OpenApiExample("A part of it", value={"amount": "20.00", "reason": "Frame exchanged for a cheaper one"})]
)
class PaymentRefundIn(StrictSerializer):
    amount = UnitDecimalField(
        unit=_UNIT,
        max_digits=10,
        decimal_places=2,
        min_value=Decimal("0.01"),
        required=False,
        help_text="Left out: all that is left of the payment.",
    )
    reason = TextField(max_length=200)
    till = TillField(required=False, help_text="Left out: main")
