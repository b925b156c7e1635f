from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.catalogue.selectors import frame_get, lens_get
from opticshop.core.api import ResourceViewSet
from opticshop.core.kept import A_KEY, AS_SAID
from opticshop.prescriptions.selectors import measurement_get_for, prescription_get_for

from . import resolving, selectors, services
from .filters import OrderFilter
from .models import Order
from .permissions import OrderPermission
from .quotations_api import routes as quotation_routes
from .replacing import order_replace, wanted_of
from .resolving import treatments_get
from .serializers import OrderCancelIn, OrderOut, OrderPlaceIn, OrderPromiseIn, OrderReplaceIn, QuoteOut


class OrderViewSet(ResourceViewSet):
    """One pair of spectacles: computed, priced and reserved in one step, then followed to collection."""

    tag, noun = "Orders", "order"
    prepared = True
    kept_queries = {"branch": A_KEY, "customer": A_KEY, "state": AS_SAID}
    selector = staticmethod(selectors.orders_visible_to)
    filterset_class = OrderFilter
    permissions = {
        "list": OrderPermission.VIEW,
        "retrieve": OrderPermission.VIEW,
        "create": OrderPermission.PLACE,
        "quote": OrderPermission.PLACE,
        "cancel": OrderPermission.CANCEL,
        "promise": OrderPermission.PLACE,
        "replace": OrderPermission.CANCEL,
    }
    inputs = {
        "create": OrderPlaceIn,
        "quote": OrderPlaceIn,
        "cancel": OrderCancelIn,
        "promise": OrderPromiseIn,
        "replace": OrderReplaceIn,
    }
    outputs = {"quote": QuoteOut}
    output = OrderOut
    statuses = {"replace": 201}
    idempotent = {"create": "optional", "replace": "optional"}
    summaries = {
        "list": "Find orders; of a day of the branch with placed_from, collected_to and the like",
        "retrieve": "Get one order with its computation and price",
        "create": "Place an order: compute, price and reserve in one step",
        "quote": "Compute and price without placing: nothing is written",
        "cancel": "Call an order off and release its stock",
        "replace": "Replace an order by another, linked to it: amended prescription, other frame, other lenses",
        "promise": "Give a new promise day with its reason",
    }

    def create(self, request: Request) -> Response:
        order = services.order_place(actor=self.actor, wanted=resolving.wanted_from(self.actor, self.read_input()))
        return self.answer(self._fresh(order), status=201)

    @action(detail=False, methods=["post"])
    def quote(self, request: Request) -> Response:
        return self.answer(
            services.order_quote(actor=self.actor, wanted=resolving.wanted_from(self.actor, self.read_input()))
        )

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        order = self.get_object()
        return self.answer(
            self._fresh(services.order_cancel(actor=self.actor, order=order, reason=self.read_input()["reason"]))
        )

    @action(detail=True, methods=["post"])
    def promise(self, request: Request, pk: str) -> Response:
        order = self.get_object()
        return self.answer(self._fresh(services.order_promise(actor=self.actor, order=order, **self.read_input())))

    @action(detail=True, methods=["post"])
    def replace(self, request: Request, pk: str) -> Response:
        order, body = self.get_object(), self.read_input()
        why = {name: body.pop(name) for name in ("reason", "cause", "borne_by") if name in body}
        wanted = self._instead(selectors.order_get_for(self.actor, order.id), body)
        return self.answer(self._fresh(order_replace(actor=self.actor, order=order, wanted=wanted, **why)))

    def _instead(self, order: Order, body: dict[str, Any]) -> services.Wanted:
        """The order as it was, with what differs; ids resolved to rows the actor may see."""
        wanted = wanted_of(order)
        find: dict[str, Callable[[Any], Any]] = {
            "treatments": treatments_get,
            "prescription": lambda key: prescription_get_for(self.actor, key),
            "measurement": lambda key: measurement_get_for(self.actor, key),
            "frame": frame_get,
            "lenses": lambda chosen: {eye: lens_get(product) for eye, product in chosen.items()},
        }
        changes = {name: find[name](value) if name in find else value for name, value in body.items()}
        return replace(wanted, **changes)

    def _fresh(self, order: Order) -> Order:
        return selectors.orders_visible_to(self.actor, self.permissions[self.action]).get(pk=order.pk)


routes = [("orders", OrderViewSet), *quotation_routes]
