from __future__ import annotations

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ResourceViewSet

from .. import selectors, services
from ..models import TillDay
from ..permissions import BillingPermission
from ..serializers.tills import (
    TillCloseIn,
    TillCountIn,
    TillDayOut,
    TillEntryOut,
    TillMoveIn,
    TillOpenIn,
    TillReopenIn,
)


class TillDayFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    till = django_filters.CharFilter(field_name="till")
    state = django_filters.ChoiceFilter(choices=TillDay.State.choices)
    day_from = django_filters.DateFilter(field_name="day", lookup_expr="gte", label="On or after")
    day_to = django_filters.DateFilter(field_name="day", lookup_expr="lte", label="On or before")

    class Meta:
        model = TillDay
        fields: list[str] = []


class TillDayViewSet(ResourceViewSet):
    """The days of the tills. A day nobody opened is made by its first money, and says so."""

    tag, noun = "Till", "till day"
    selector = staticmethod(selectors.till_days_visible_to)
    filterset_class = TillDayFilter
    permissions = {
        "list": BillingPermission.VIEW,
        "retrieve": BillingPermission.VIEW,
        "create": BillingPermission.TILL,
        "count": BillingPermission.TILL,
        "pay_in": BillingPermission.TILL,
        "pay_out": BillingPermission.TILL,
        "close": BillingPermission.TILL,
        "reopen": BillingPermission.REOPEN_TILL,
    }
    inputs = {
        "create": TillOpenIn,
        "count": TillCountIn,
        "pay_in": TillMoveIn,
        "pay_out": TillMoveIn,
        "close": TillCloseIn,
        "reopen": TillReopenIn,
    }
    output = TillDayOut
    outputs = {"count": TillEntryOut, "pay_in": TillEntryOut, "pay_out": TillEntryOut}
    idempotent = dict.fromkeys(("create", "count", "pay_in", "pay_out", "close", "reopen"), "required")
    statuses = {"count": 201, "pay_in": 201, "pay_out": 201}
    summaries = {
        "list": "List the days of the tills",
        "retrieve": "Get one day with what was taken, what should be there, and all counts",
        "create": "Open a till for the day with its float",
        "count": "Write down what is in the till",
        "pay_in": "Bring cash in that is no sale",
        "pay_out": "Take cash out that is no refund: to the bank, for a small expense",
        "close": "Close the day by its last count; over or short is booked",
        "reopen": "Open a closed day again, with the reason",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=BillingPermission.TILL)
        return self._as_it_is(services.till_open(actor=self.actor, branch=branch, **body), status=201)

    @action(detail=True, methods=["post"])
    def count(self, request: Request, pk: str) -> Response:
        till_day = self.get_object()
        return self.answer(services.till_count(actor=self.actor, till_day=till_day, **self.read_input()))

    @action(detail=True, methods=["post"], url_path="pay-in")
    def pay_in(self, request: Request, pk: str) -> Response:
        till_day = self.get_object()
        return self.answer(services.till_pay_in(actor=self.actor, till_day=till_day, **self.read_input()))

    @action(detail=True, methods=["post"], url_path="pay-out")
    def pay_out(self, request: Request, pk: str) -> Response:
        till_day = self.get_object()
        return self.answer(services.till_pay_out(actor=self.actor, till_day=till_day, **self.read_input()))

    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        till_day = self.get_object()
        return self._as_it_is(services.till_close(actor=self.actor, till_day=till_day, **self.read_input()))

    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: str) -> Response:
        till_day = self.get_object()
        return self._as_it_is(services.till_reopen(actor=self.actor, till_day=till_day, **self.read_input()))

    def _as_it_is(self, till_day: TillDay, *, status: int = 200) -> Response:
        """The day with its sums, as the list shows it."""
        return self.answer(selectors.till_days_visible_to(self.actor).get(id=till_day.id), status=status)
