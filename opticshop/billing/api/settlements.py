from __future__ import annotations

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.pagination import KeyCursorPagination
from opticshop.orders.selectors import order_get_for

from .. import selectors, services, statements
from ..models import HeldDeposit, Settlement
from ..permissions import BillingPermission
from ..serializers.settlements import (
    ForfeitIn,
    HeldDepositOut,
    SettlementOut,
    SettlementUndoIn,
    StatementOut,
    WriteOffIn,
)


class SettlementFilter(django_filters.FilterSet):
    order = django_filters.UUIDFilter(field_name="order_id")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(choices=Settlement.Kind.choices)

    class Meta:
        model = Settlement
        fields: list[str] = []


class SettlementViewSet(ResourceViewSet):
    """Deposits kept and debts given up: money settled without money moving."""

    tag, noun = "Payments", "settlement"
    selector = staticmethod(selectors.settlements_visible_to)
    filterset_class = SettlementFilter
    permissions = {
        "list": BillingPermission.VIEW,
        "retrieve": BillingPermission.VIEW,
        "forfeit": BillingPermission.FORFEIT,
        "write_off": BillingPermission.WRITE_OFF,
        "undo": BillingPermission.UNDO_SETTLEMENT,
    }
    inputs = {"forfeit": ForfeitIn, "write_off": WriteOffIn, "undo": SettlementUndoIn}
    output = SettlementOut
    idempotent = dict.fromkeys(("forfeit", "write_off", "undo"), "required")
    statuses = {"forfeit": 201, "write_off": 201, "undo": 201}
    summaries = {
        "list": "Find what was kept or given up",
        "retrieve": "Get one settlement",
        "forfeit": "Keep the deposit of a cancelled order, in part or whole, with the reason",
        "write_off": "Give up what is owed for an order, in part or whole, with the reason",
        "undo": "Take a settlement back by its reverse; needs the permission to make it",
    }

    @action(detail=False, methods=["post"])
    def forfeit(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"), permission=BillingPermission.VIEW)
        return self.answer(services.deposit_forfeit(actor=self.actor, order=order, **body))

    @action(detail=False, methods=["post"], url_path="write-off")
    def write_off(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"), permission=BillingPermission.VIEW)
        return self.answer(services.debt_write_off(actor=self.actor, order=order, **body))

    @action(detail=True, methods=["post"])
    def undo(self, request: Request, pk: str) -> Response:
        settlement = self.get_object()
        return self.answer(services.settlement_undo(actor=self.actor, settlement=settlement, **self.read_input()))


class OldestFirst(KeyCursorPagination):
    ordering = ("since", "order_id")  # type: ignore[assignment]


class HeldDepositFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    since_to = django_filters.IsoDateTimeFilter(
        field_name="since", lookup_expr="lte", label="Held since then or longer"
    )

    class Meta:
        model = HeldDeposit
        fields: list[str] = []


class HeldDepositViewSet(Lists):
    """Money held for pairs that are not supplied, oldest first."""

    tag, noun = "Payments", "held deposit"
    selector = staticmethod(selectors.held_deposits_visible_to)
    filterset_class = HeldDepositFilter
    pagination_class = OldestFirst
    permissions = {"list": BillingPermission.VIEW}
    output = HeldDepositOut
    summaries = {"list": "List the deposits held, oldest first"}


class StatementViewSet(ApiViewSet):
    """What a customer bought and paid, by the customer's id."""

    tag, noun = "Payments", "statement"
    selector = staticmethod(statements.customers_visible_to)
    permissions = {"retrieve": BillingPermission.VIEW}
    output = StatementOut
    summaries = {"retrieve": "Get what a customer was supplied with, paid, owes and has deposited"}

    def retrieve(self, request: Request, pk: str) -> Response:
        return self.answer(statements.statement_of(self.actor, self.get_object()))
