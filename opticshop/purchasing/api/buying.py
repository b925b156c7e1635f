from __future__ import annotations

from typing import Any

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.stock.selectors import lot_get_for

from .. import selectors, services
from ..judging import Reading
from ..models import Delivery, PurchaseOrder, PurchaseOrderState, ReturnState, SupplierReturn
from ..permissions import PurchasingPermission
from ..serializers.deliveries import (
    DeliveryConfirmIn,
    DeliveryDiscardIn,
    DeliveryLineIn,
    DeliveryOpenIn,
    DeliveryOut,
    OverAcceptIn,
    ScanIn,
)
from ..serializers.purchase_orders import (
    PurchaseOrderAmendIn,
    PurchaseOrderCancelIn,
    PurchaseOrderDraftIn,
    PurchaseOrderOut,
    PurchaseOrderSendIn,
)
from ..serializers.returns import (
    ReturnAcknowledgeIn,
    ReturnCreditIn,
    ReturnDraftIn,
    ReturnReasonIn,
    ReturnSendIn,
    SupplierReturnOut,
)

VIEW, ORDER, RECEIVE = PurchasingPermission.VIEW, PurchasingPermission.ORDER, PurchasingPermission.RECEIVE


class VersionedActions(ApiViewSet):
    """Actions that heed If-Match where it is sent: what changed since it was read is not acted on."""

    def version_if_given(self) -> int | None:
        return self.expected_version() if "If-Match" in self.request.headers else None


class PurchaseOrderFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    supplier = django_filters.UUIDFilter(field_name="supplier_id")
    state = django_filters.ChoiceFilter(choices=PurchaseOrderState.choices)
    number = django_filters.CharFilter(field_name="number")
    expected_before = django_filters.DateFilter(field_name="expected_on", lookup_expr="lt")

    class Meta:
        model = PurchaseOrder
        fields: list[str] = []


class PurchaseOrderViewSet(ResourceViewSet, VersionedActions):
    """What a branch orders from a supplier: drafted, sent, received in one or several parcels."""

    tag, noun = "Purchasing", "purchase order"
    selector = staticmethod(selectors.purchase_orders_visible_to)
    filterset_class = PurchaseOrderFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": ORDER,
        "partial_update": ORDER,
        "send": ORDER,
        "cancel": ORDER,
    }
    inputs = {
        "create": PurchaseOrderDraftIn,
        "partial_update": PurchaseOrderAmendIn,
        "send": PurchaseOrderSendIn,
        "cancel": PurchaseOrderCancelIn,
    }
    output = PurchaseOrderOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find purchase orders",
        "retrieve": "Get one purchase order",
        "create": "Draft a purchase order; costs come from the price list",
        "partial_update": "Amend a draft",
        "send": "Send a draft to its supplier: its pieces are expected from now on",
        "cancel": "Call off what has not been received",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = services.purchase_order_draft(
            actor=self.actor,
            branch=branch_get_for(self.actor, body["branch"], permission=ORDER),
            supplier=selectors.supplier_get_for(self.actor, body["supplier"]),
            lines=_wanted(body["lines"]),
            note=body["note"],
        )
        return self._fresh(order, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        order, version, body = self.get_object(), self.expected_version(), self.read_input()
        lines = _wanted(body["lines"]) if "lines" in body else None
        services.purchase_order_amend(
            actor=self.actor, order=order, version=version, note=body.get("note"), lines=lines
        )
        return self._fresh(order)

    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        order, version = self.get_object(), self.version_if_given()
        below = self.read_input()["accept_below_minimum"]
        services.purchase_order_send(actor=self.actor, order=order, version=version, below_minimum=below)
        return self._fresh(order)

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        order, version = self.get_object(), self.version_if_given()
        services.purchase_order_cancel(actor=self.actor, order=order, version=version, **self.read_input())
        return self._fresh(order)

    def _fresh(self, order: PurchaseOrder, status: int = 200) -> Response:
        return self.answer(selectors.purchase_order_get_for(self.actor, order.id), status=status)


class DeliveryFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    supplier = django_filters.UUIDFilter(field_name="supplier_id")
    state = django_filters.ChoiceFilter(choices=Delivery.State.choices)
    delivery_note = django_filters.CharFilter(field_name="delivery_note")
    purchase_order = django_filters.UUIDFilter(
        field_name="lines__matches__purchase_line__purchase_order_id", distinct=True, label="That filled this order"
    )

    class Meta:
        model = Delivery
        fields: list[str] = []


class DeliveryViewSet(ResourceViewSet, VersionedActions):
    """Goods in by scan: a parcel is opened, packets are scanned against the orders, and all is taken in at once."""

    tag, noun = "Purchasing", "delivery"
    selector = staticmethod(selectors.deliveries_visible_to)
    filterset_class = DeliveryFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": RECEIVE,
        "scan": RECEIVE,
        "remove_line": RECEIVE,
        "accept_over": RECEIVE,
        "confirm": RECEIVE,
        "discard": RECEIVE,
    }
    inputs = {
        "create": DeliveryOpenIn,
        "scan": ScanIn,
        "remove_line": DeliveryLineIn,
        "accept_over": OverAcceptIn,
        "confirm": DeliveryConfirmIn,
        "discard": DeliveryDiscardIn,
    }
    output = DeliveryOut
    statuses = {"scan": 201}
    idempotent = {"create": "optional", "scan": "optional", "confirm": "optional"}
    summaries = {
        "list": "Find deliveries",
        "retrieve": "Get one delivery with its lines, matches and shortages",
        "create": "Open a parcel of a supplier",
        "scan": "Scan packets by GS1 code, trade item number or our lot code",
        "remove_line": "Take a line out again",
        "accept_over": "Say why more than was ordered is kept",
        "confirm": "Take everything scanned into stock",
        "discard": "Close a parcel of which nothing is taken in",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        delivery = services.delivery_open(
            actor=self.actor,
            branch=branch_get_for(self.actor, body["branch"], permission=RECEIVE),
            supplier=selectors.supplier_get_for(self.actor, body["supplier"]),
            delivery_note=body["delivery_note"],
            purchase_orders=[selectors.purchase_order_get_for(self.actor, key) for key in body["purchase_orders"]],
        )
        return self._fresh(delivery, status=201)

    @action(detail=True, methods=["post"])
    def scan(self, request: Request, pk: str) -> Response:
        delivery, body = self.get_object(), self.read_input()
        reading = body.pop("reading", None)
        scan = services.Scan(reading=Reading(**reading) if reading else None, **body)
        services.delivery_scan(actor=self.actor, delivery=delivery, scan=scan)
        return self._fresh(delivery, status=201)

    @action(detail=True, methods=["post"], url_path="remove-line")
    def remove_line(self, request: Request, pk: str) -> Response:
        delivery = self.get_object()
        position = self.read_input()["line"]
        services.delivery_line_remove(actor=self.actor, delivery=delivery, position=position)
        return self._fresh(delivery)

    @action(detail=True, methods=["post"], url_path="accept-over")
    def accept_over(self, request: Request, pk: str) -> Response:
        delivery, body = self.get_object(), self.read_input()
        services.over_delivery_accept(actor=self.actor, delivery=delivery, position=body["line"], reason=body["reason"])
        return self._fresh(delivery)

    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        delivery, version = self.get_object(), self.version_if_given()
        self.read_input()
        services.delivery_confirm(actor=self.actor, delivery=delivery, version=version)
        return self._fresh(delivery)

    @action(detail=True, methods=["post"])
    def discard(self, request: Request, pk: str) -> Response:
        delivery = self.get_object()
        services.delivery_discard(actor=self.actor, delivery=delivery, **self.read_input())
        return self._fresh(delivery)

    def _fresh(self, delivery: Delivery, status: int = 200) -> Response:
        return self.answer(selectors.delivery_get_for(self.actor, delivery.id), status=status)


class SupplierReturnFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    supplier = django_filters.UUIDFilter(field_name="supplier_id")
    state = django_filters.ChoiceFilter(choices=ReturnState.choices)
    authorisation_number = django_filters.CharFilter(field_name="authorisation_number")

    class Meta:
        model = SupplierReturn
        fields: list[str] = []


class SupplierReturnViewSet(ResourceViewSet):
    """What goes back to a supplier under its authorisation number, and what is credited for it."""

    tag, noun = "Purchasing", "supplier return"
    selector = staticmethod(selectors.returns_visible_to)
    filterset_class = SupplierReturnFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": ORDER,
        "send": ORDER,
        "acknowledge": ORDER,
        "credit": ORDER,
        "reject": ORDER,
        "cancel": ORDER,
    }
    inputs = {
        "create": ReturnDraftIn,
        "send": ReturnSendIn,
        "acknowledge": ReturnAcknowledgeIn,
        "credit": ReturnCreditIn,
        "reject": ReturnReasonIn,
        "cancel": ReturnReasonIn,
    }
    output = SupplierReturnOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find supplier returns",
        "retrieve": "Get one supplier return",
        "create": "Put together what is to go back",
        "send": "The parcel leaves: its pieces leave the stock",
        "acknowledge": "The supplier has it; the credit is awaited",
        "credit": "The supplier credits an amount",
        "reject": "The supplier credits nothing",
        "cancel": "Give up a draft",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        pieces = [
            services.ReturnedPieces(lot_get_for(self.actor, line["lot"]), line["quantity"], line["reason"])
            for line in body["lines"]
        ]
        found = services.return_draft(
            actor=self.actor,
            branch=branch_get_for(self.actor, body["branch"], permission=ORDER),
            supplier=selectors.supplier_get_for(self.actor, body["supplier"]),
            pieces=pieces,
            authorisation_number=body["authorisation_number"],
        )
        return self._fresh(found, status=201)

    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        return self._do(services.return_send)

    @action(detail=True, methods=["post"])
    def acknowledge(self, request: Request, pk: str) -> Response:
        return self._do(services.return_acknowledge)

    @action(detail=True, methods=["post"])
    def credit(self, request: Request, pk: str) -> Response:
        return self._do(services.return_credit)

    @action(detail=True, methods=["post"])
    def reject(self, request: Request, pk: str) -> Response:
        return self._do(services.return_reject)

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        return self._do(services.return_cancel)

    def _do(self, service: Any) -> Response:
        found = self.get_object()
        return self._fresh(service(actor=self.actor, supplier_return=found, **self.read_input()))

    def _fresh(self, found: SupplierReturn, status: int = 200) -> Response:
        return self.answer(selectors.return_get_for(self.actor, found.id), status=status)


def _wanted(lines: list[dict[str, Any]]) -> list[services.WantedLine]:
    """Every article resolved, each once; what is not in the catalogue is not there."""
    frames = {key: frame_get(key) for key in {line["frame"] for line in lines if "frame" in line}}
    lenses = {key: lens_get(key) for key in {line["lens"] for line in lines if "lens" in line}}
    return [
        services.WantedLine(**line | {"frame": frames.get(line.get("frame")), "lens": lenses.get(line.get("lens"))})
        for line in lines
    ]


routes = [
    ("purchase-orders", PurchaseOrderViewSet),
    ("deliveries", DeliveryViewSet),
    ("supplier-returns", SupplierReturnViewSet),
]
