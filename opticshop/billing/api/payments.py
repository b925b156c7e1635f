from __future__ import annotations

from typing import Any

import django_filters
from django.conf import settings
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.kept import A_KEY, AS_SAID
from opticshop.core.renderers import PdfRenderer
from opticshop.documents.receipt import receipt_pdf
from opticshop.orders.selectors import order_get_for
from opticshop.prices.vouchers_selectors import voucher_get_for

from .. import selectors, services
from ..models import Payment, Receipt
from ..permissions import BillingPermission
from ..receipts import printable
from ..serializers.payments import BalanceOut, PaymentOut, PaymentRefundIn, PaymentTakeIn, ReceiptOut


class PaymentFilter(django_filters.FilterSet):
    order = django_filters.UUIDFilter(field_name="order_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(choices=Payment.Kind.choices)

    class Meta:
        model = Payment
        fields: list[str] = []


class PaymentViewSet(ResourceViewSet):
    """Money taken and given back. A payment is never changed; a mistake is given back."""

    tag, noun = "Payments", "payment"
    prepared = True
    kept_queries = {"branch": A_KEY, "order": A_KEY, "kind": AS_SAID}
    selector = staticmethod(selectors.payments_visible_to)
    filterset_class = PaymentFilter
    permissions = {
        "list": BillingPermission.VIEW,
        "retrieve": BillingPermission.VIEW,
        "create": BillingPermission.TAKE,
        "refund": BillingPermission.REFUND,
    }
    inputs = {"create": PaymentTakeIn, "refund": PaymentRefundIn}
    output = PaymentOut
    idempotent = {"create": "required", "refund": "required"}
    statuses = {"refund": 201}
    summaries = {
        "list": "Find payments of an order or a branch",
        "retrieve": "Get one payment",
        "create": "Take a payment for an order; the answer names its receipt",
        "refund": "Give a payment back, in part or whole, by the same method",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"), permission=BillingPermission.VIEW)
        if "voucher" in body:
            body["voucher"] = voucher_get_for(self.actor, body["voucher"])
        return self.answer(services.payment_take(actor=self.actor, order=order, **body), status=201)

    @action(detail=True, methods=["post"])
    def refund(self, request: Request, pk: str) -> Response:
        payment = self.get_object()
        return self.answer(services.payment_refund(actor=self.actor, payment=payment, **self.read_input()))


class ReceiptFilter(django_filters.FilterSet):
    order = django_filters.UUIDFilter(field_name="payment__order_id")
    payment = django_filters.UUIDFilter(field_name="payment_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    number = django_filters.CharFilter(field_name="number")
    issued_from = django_filters.DateFilter(field_name="issued_on", lookup_expr="gte", label="Issued on or after")
    issued_to = django_filters.DateFilter(field_name="issued_on", lookup_expr="lte", label="Issued on or before")

    class Meta:
        model = Receipt
        fields: list[str] = []


class ReceiptViewSet(ResourceViewSet):
    """Receipts, numbered without gaps per branch and year. Their figures never change."""

    tag, noun = "Payments", "receipt"
    selector = staticmethod(selectors.receipts_visible_to)
    filterset_class = ReceiptFilter
    permissions = {
        "list": BillingPermission.VIEW,
        "retrieve": BillingPermission.VIEW,
        "document": BillingPermission.VIEW,
    }
    output = ReceiptOut
    summaries = {
        "list": "Find receipts",
        "retrieve": "Get one receipt with its figures",
        "document": "Get one receipt as PDF",
    }

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[PdfRenderer], filterset_class=None)
    def document(self, request: Request, pk: str) -> Response:
        receipt = self.get_object()
        invented = bool(getattr(settings, "OPTICSHOP_INVENTED_DATA", False))
        name = {"Content-Disposition": f'inline; filename="{receipt.number}.pdf"'}
        return Response(receipt_pdf(printable(receipt, invented=invented)), headers=name)


class BalanceViewSet(ApiViewSet):
    """What is still owed for an order, by the order's id."""

    tag, noun = "Payments", "balance"
    selector = staticmethod(selectors.orders_with_money_visible_to)
    permissions = {"retrieve": BillingPermission.VIEW}
    output = BalanceOut
    summaries = {"retrieve": "Get what was paid and what is due for an order"}

    def retrieve(self, request: Request, pk: str) -> Response:
        order = self.get_object()
        balance = selectors.balance_of(order)
        body: dict[str, Any] = {
            "order": order.id,
            "total": balance.total,
            "paid": balance.paid,
            "due": balance.due,
            "credited": balance.credited,
            "written_off": balance.written_off,
            "forfeited": balance.forfeited,
            "currency": balance.currency,
        }
        return self.answer(body)


routes = [("payments", PaymentViewSet), ("receipts", ReceiptViewSet), ("balances", BalanceViewSet)]
