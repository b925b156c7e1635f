from __future__ import annotations

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet

from . import quotations_selectors as selectors
from . import quotations_services as services
from .filters import QuotationFilter
from .models import Order, Quotation
from .permissions import OrderPermission
from .quotations_serializers import QuotationAcceptIn, QuotationMakeIn, QuotationOut, QuotationWithdrawIn
from .resolving import wanted_from
from .selectors import orders_visible_to
from .serializers import OrderOut


class QuotationViewSet(ResourceViewSet):
    """Prices kept for customers: computed and priced like an order, with nothing reserved, good until a day."""

    tag, noun = "Prices", "quotation"
    selector = staticmethod(selectors.quotations_visible_to)
    filterset_class = QuotationFilter
    permissions = {
        "list": OrderPermission.VIEW,
        "retrieve": OrderPermission.VIEW,
        "create": OrderPermission.PLACE,
        "accept": OrderPermission.PLACE,
        "withdraw": OrderPermission.PLACE,
    }
    inputs = {"create": QuotationMakeIn, "accept": QuotationAcceptIn, "withdraw": QuotationWithdrawIn}
    outputs = {"accept": OrderOut}
    output = QuotationOut
    statuses = {"accept": 201}
    idempotent = {"create": "optional", "accept": "optional"}
    summaries = {
        "list": "Find quotations",
        "retrieve": "Get one quotation with its price and the reasons for it",
        "create": "Quote: compute and price, and keep the price for some days; nothing is reserved",
        "accept": "Place the order at the quoted price, once, while the quotation is good",
        "withdraw": "Take an open quotation back",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        days = body.pop("valid_days")
        made = services.quotation_make(actor=self.actor, wanted=wanted_from(self.actor, body), valid_days=days)
        return self.answer(self._fresh(made), status=201)

    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        order = services.quotation_accept(actor=self.actor, quotation=found, **self.read_input())
        fresh: Order = orders_visible_to(self.actor, OrderPermission.PLACE).get(pk=order.pk)
        return self.answer(fresh)

    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        services.quotation_withdraw(actor=self.actor, quotation=found, **self.read_input())
        return self.answer(self._fresh(found))

    def _fresh(self, quotation: Quotation) -> Quotation:
        return selectors.quotation_get_for(self.actor, quotation.id, permission=self.permissions[self.action])


routes = [("quotes", QuotationViewSet)]
