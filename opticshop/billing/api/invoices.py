from __future__ import annotations

import django_filters
from django.conf import settings
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.renderers import AnyFileRenderer, PdfRenderer
from opticshop.documents.invoice import invoice_pdf
from opticshop.orders.selectors import order_get_for

from .. import selectors, services
from ..exporting import exported
from ..invoices import printable
from ..models import Invoice
from ..permissions import BillingPermission
from ..serializers.invoices import InvoiceCreditIn, InvoiceExportIn, InvoiceIssueIn, InvoiceOut


class InvoiceFilter(django_filters.FilterSet):
    order = django_filters.UUIDFilter(field_name="order_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(choices=Invoice.Kind.choices)
    number = django_filters.CharFilter(field_name="number")
    issued_from = django_filters.DateFilter(field_name="issued_on", lookup_expr="gte", label="Issued on or after")
    issued_to = django_filters.DateFilter(field_name="issued_on", lookup_expr="lte", label="Issued on or before")

    class Meta:
        model = Invoice
        fields: list[str] = []


class InvoiceViewSet(ResourceViewSet):
    """Full invoices and credit notes, each numbered without gaps per branch and year. Their figures never change."""

    tag, noun = "Payments", "invoice"
    buckets = {"export": "exports"}
    selector = staticmethod(selectors.invoices_visible_to)
    filterset_class = InvoiceFilter
    permissions = {
        "list": BillingPermission.VIEW,
        "retrieve": BillingPermission.VIEW,
        "document": BillingPermission.VIEW,
        "export": BillingPermission.EXPORT,
        "create": BillingPermission.INVOICE,
        "credit": BillingPermission.REFUND,
    }
    inputs = {"create": InvoiceIssueIn, "credit": InvoiceCreditIn}
    output = InvoiceOut
    idempotent = {"create": "required", "credit": "required"}
    statuses = {"credit": 201}
    summaries = {
        "list": "Find invoices and credit notes",
        "retrieve": "Get one invoice with its figures",
        "document": "Get one invoice as PDF",
        "export": "Get one invoice in a format of a plugin, such as UBL",
        "create": "Issue the full invoice of an order",
        "credit": "Correct an invoice by a credit note, in part or whole",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"), permission=BillingPermission.VIEW)
        return self.answer(services.invoice_issue(actor=self.actor, order=order, **body), status=201)

    @action(detail=True, methods=["post"])
    def credit(self, request: Request, pk: str) -> Response:
        invoice = self.get_object()
        return self.answer(services.credit_note_issue(actor=self.actor, invoice=invoice, **self.read_input()))

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[PdfRenderer], filterset_class=None)
    def document(self, request: Request, pk: str) -> Response:
        invoice = self.get_object()
        invented = bool(getattr(settings, "OPTICSHOP_INVENTED_DATA", False))
        name = {"Content-Disposition": f'inline; filename="{invoice.number}.pdf"'}
        return Response(invoice_pdf(printable(invoice, invented=invented)), headers=name)

    @extend_schema(parameters=[InvoiceExportIn], responses={(200, AnyFileRenderer.media_type): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[AnyFileRenderer], filterset_class=None)
    def export(self, request: Request, pk: str) -> HttpResponse:
        query = InvoiceExportIn(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        invoice = self.get_object()
        self.actor.require(BillingPermission.EXPORT, invoice.branch_id)
        document = exported(invoice, exporter=query.validated_data["exporter"])
        name = {"Content-Disposition": f'attachment; filename="{document.file_name}"'}
        return HttpResponse(document.body, content_type=document.media_type, headers=name)
