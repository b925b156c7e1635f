from __future__ import annotations

from typing import Any

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.models import LensProduct
from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.orders.selectors import order_get_for
from opticshop.prescriptions.models import PrescribedEye
from opticshop.prescriptions.selectors import measurement_get_for, prescription_get_for

from .. import finding, selectors, services
from ..judging import Reading
from ..models import LensOrder, LensOrderState
from ..permissions import PurchasingPermission
from ..serializers.finder import LensFinderIn, LensFinderOut
from ..serializers.lens_orders import (
    LensOrderAssignIn,
    LensOrderCancelIn,
    LensOrderConfirmIn,
    LensOrderFaultIn,
    LensOrderOut,
    LensOrderReceiveIn,
    LensOrdersDraftedOut,
    LensOrdersDraftIn,
    LensOrderSendIn,
)
from .buying import VersionedActions

VIEW, ORDER, RECEIVE = PurchasingPermission.VIEW, PurchasingPermission.ORDER, PurchasingPermission.RECEIVE


class LensOrderFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    supplier = django_filters.UUIDFilter(field_name="supplier_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    state = django_filters.ChoiceFilter(choices=LensOrderState.choices)
    late = YesNoFilter(method="by_late", label="true: on its way, wanted, and due before today")
    endangers_promise = YesNoFilter(
        method="by_danger", label="true: due no earlier than the day on which the pair is promised"
    )
    without_supplier = YesNoFilter(field_name="supplier", lookup_expr="isnull")

    class Meta:
        model = LensOrder
        fields: list[str] = []

    def by_late(self, queryset: Any, name: str, value: bool) -> Any:
        return _or_others(queryset, selectors.late(queryset), value)

    def by_danger(self, queryset: Any, name: str, value: bool) -> Any:
        return _or_others(queryset, selectors.endangering(queryset), value)


class LensOrderViewSet(ResourceViewSet, VersionedActions):
    """Lenses made for one eye of one order: drafted when it is placed, sent, confirmed, received for its job."""

    tag, noun = "Purchasing", "lens order"
    selector = staticmethod(selectors.lens_orders_visible_to)
    filterset_class = LensOrderFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": ORDER,
        "partial_update": ORDER,
        "send": ORDER,
        "confirm": ORDER,
        "receive": RECEIVE,
        "fault": RECEIVE,
        "cancel": ORDER,
    }
    inputs = {
        "create": LensOrdersDraftIn,
        "partial_update": LensOrderAssignIn,
        "send": LensOrderSendIn,
        "confirm": LensOrderConfirmIn,
        "receive": LensOrderReceiveIn,
        "fault": LensOrderFaultIn,
        "cancel": LensOrderCancelIn,
    }
    outputs = {"create": LensOrdersDraftedOut}
    output = LensOrderOut
    idempotent = {"receive": "optional", "fault": "optional"}
    summaries = {
        "list": "Find lens orders; the late ones with ?late=true",
        "retrieve": "Get one lens order",
        "create": "Draft what special lenses of an order are neither there nor on their way",
        "partial_update": "Choose another supplier or cost for a draft",
        "send": "Send a lens order to its supplier",
        "confirm": "The supplier promises a day",
        "receive": "The lens is here: read it, take it in, promise it to its order and eye",
        "fault": "The lens came wrong or was lost on the way: order it again",
        "cancel": "Call a lens off at its supplier",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body["order"])
        drafted = services.lens_orders_ensure(
            actor=self.actor, order=order, eyes=body.get("eyes"), reason=body["reason"]
        )
        ids = [lens_order.id for lens_order in drafted]
        rows = selectors.lens_orders_visible_to(self.actor).filter(id__in=ids).order_by("id")
        return self.answer({"drafted": rows}, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        lens_order, version, body = self.get_object(), self.expected_version(), self.read_input()
        if "supplier" in body:
            body["supplier"] = selectors.supplier_get_for(self.actor, body["supplier"])
        return self._fresh(services.lens_order_assign(actor=self.actor, lens_order=lens_order, version=version, **body))

    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        lens_order, version = self.get_object(), self.version_if_given()
        self.read_input()
        return self._fresh(services.lens_order_send(actor=self.actor, lens_order=lens_order, version=version))

    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        return self._do(services.lens_order_confirm)

    @action(detail=True, methods=["post"])
    def receive(self, request: Request, pk: str) -> Response:
        lens_order, body = self.get_object(), self.read_input()
        reading = body.pop("reading", None)
        return self._fresh(
            services.lens_order_receive(
                actor=self.actor, lens_order=lens_order, reading=Reading(**reading) if reading else None, **body
            )
        )

    @action(detail=True, methods=["post"])
    def fault(self, request: Request, pk: str) -> Response:
        return self._do(services.lens_order_fault)

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        lens_order, version = self.get_object(), self.version_if_given()
        return self._fresh(
            services.lens_order_cancel(actor=self.actor, lens_order=lens_order, version=version, **self.read_input())
        )

    def _do(self, service: Any) -> Response:
        lens_order = self.get_object()
        return self._fresh(service(actor=self.actor, lens_order=lens_order, **self.read_input()))

    def _fresh(self, lens_order: LensOrder) -> Response:
        return self.answer(selectors.lens_order_get_for(self.actor, lens_order.id))


class LensFinderViewSet(ApiViewSet):
    """Every way to have a lens, best first: here, transposed, another diameter, another branch, a supplier."""

    tag, noun = "Purchasing", "lens finder"
    permissions = {"create": VIEW}
    inputs = {"create": LensFinderIn}
    output = LensFinderOut
    statuses = {"create": 200}
    summaries = {"create": "Find a lens for a wearer or for a bare power; nothing is written"}

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body["branch"], permission=VIEW)
        asked = self._wearer(body) if "prescription" in body else self._power(body)
        answers = finding.lenses_found(
            actor=self.actor,
            branch=branch,
            asked=asked,
            wanted=lens_get(body["lens"]) if "lens" in body else None,
            kind=body.get("kind", LensProduct.Kind.SINGLE_VISION),
        )
        return self.answer({"branch": branch.id, "eyes": answers})

    def _wearer(self, body: dict[str, Any]) -> finding.ForWearer:
        prescription = prescription_get_for(self.actor, body["prescription"])
        written = [row.eye for row in prescription.eyes.all() if row.entry != PrescribedEye.Entry.OCCLUDED]
        return finding.ForWearer(
            prescription=prescription,
            measurement=measurement_get_for(self.actor, body["measurement"]),
            frame=frame_get(body["frame"]),
            eyes=body.get("eyes") or sorted(written, reverse=True),
            purpose=body.get("purpose", "distance"),
        )

    def _power(self, body: dict[str, Any]) -> finding.ForPower:
        names = ("sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "diameter_mm")
        return finding.ForPower(**{name: body[name] for name in names if name in body})


def _or_others(queryset: Any, found: Any, value: bool) -> Any:
    return found if value else queryset.exclude(pk__in=found.order_by().values("pk"))


routes = [
    ("lens-orders", LensOrderViewSet),
    ("lens-finder", LensFinderViewSet),
]
