from __future__ import annotations

import django_filters
from django.db import transaction
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.catalogue.selectors import lens_get
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.filters import YesNoFilter

from .. import selectors, services
from ..models import CountLine, StockCount
from ..permissions import StockPermission
from ..sections import Section
from ..serializers.counts import (
    CountApproveIn,
    CountFoundIn,
    CountLineOut,
    CountOpenIn,
    CountOut,
    CountRecordIn,
    CountSubmitIn,
    VariancesOut,
)
from ..serializers.transfers import ReasonIn
from .lots import item_named


class CountFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    state = django_filters.ChoiceFilter(choices=StockCount.State.choices)

    class Meta:
        model = StockCount
        fields: list[str] = []


class CountViewSet(ResourceViewSet):
    """Stock-takes by section, while selling goes on."""

    tag, noun = "Stock", "count"
    selector = staticmethod(selectors.counts_visible_to)
    filterset_class = CountFilter
    permissions = {
        "list": StockPermission.VIEW,
        "retrieve": StockPermission.VIEW,
        "variances": StockPermission.VIEW,
        "create": StockPermission.COUNT,
        "record": StockPermission.COUNT,
        "found": StockPermission.COUNT,
        "submit": StockPermission.COUNT,
        "reopen": StockPermission.APPROVE_COUNT,
        "approve": StockPermission.APPROVE_COUNT,
        "cancel": StockPermission.APPROVE_COUNT,
    }
    inputs = {
        "create": CountOpenIn,
        "record": CountRecordIn,
        "found": CountFoundIn,
        "submit": CountSubmitIn,
        "reopen": ReasonIn,
        "approve": CountApproveIn,
        "cancel": ReasonIn,
    }
    outputs = {"record": CountLineOut, "found": CountLineOut, "variances": VariancesOut}
    output = CountOut
    idempotent = dict.fromkeys(("create", "record", "found", "submit", "reopen", "approve", "cancel"), "optional")
    summaries = {
        "list": "List the counts",
        "retrieve": "Get one count",
        "create": "Open a count sheet of a section",
        "record": "Write down how many pieces of a lot were found; again replaces it",
        "found": "Write down pieces of a lot that is not on the sheet or not known",
        "submit": "Hand the sheet in",
        "reopen": "Give the sheet back to be counted again",
        "approve": "Accept the variances and adjust the balances",
        "cancel": "Throw the sheet away",
        "variances": "What differs, with what moved since it was counted",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body["branch"], permission=StockPermission.COUNT)
        asked = body.get("section", {})
        if "lens" in asked:
            lens_get(asked["lens"])
        selectors.items_get(asked.get("items", []))
        section = Section(**asked | {"items": tuple(asked.get("items", ()))})
        count = services.count_open(actor=self.actor, branch=branch, section=section, note=body.get("note", ""))
        return self._as_it_is(count, status=201)

    @action(detail=True, methods=["post"])
    def record(self, request: Request, pk: str) -> Response:
        """The answer says what the ledger held at that moment, and whether less was found than is promised."""
        count, body = self.get_object(), self.read_input()
        lot = selectors.lot_get_for(self.actor, body["lot"], permission=StockPermission.COUNT)
        line = services.count_record(actor=self.actor, count=count, lot=lot, counted=body["counted"])
        return self._line(line)

    @action(detail=True, methods=["post"])
    def found(self, request: Request, pk: str) -> Response:
        count, body = self.get_object(), self.read_input()
        with transaction.atomic():
            line = services.count_found(
                actor=self.actor,
                count=count,
                item=item_named(body),
                lot_code=body["lot_code"],
                unit_cost=body["unit_cost"],
                counted=body["counted"],
            )
        return self._line(line)

    @action(detail=True, methods=["post"])
    def submit(self, request: Request, pk: str) -> Response:
        count = self.get_object()
        return self._as_it_is(services.count_submit(actor=self.actor, count=count, **self.read_input()))

    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: str) -> Response:
        count = self.get_object()
        return self._as_it_is(services.count_reopen(actor=self.actor, count=count, **self.read_input()))

    @action(detail=True, methods=["post"])
    def approve(self, request: Request, pk: str) -> Response:
        """What was sold or received after a lot was counted stays counted: the variance is added, not set."""
        count = self.get_object()
        return self._as_it_is(services.count_approve(actor=self.actor, count=count, **self.read_input()))

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        count = self.get_object()
        return self._as_it_is(services.count_cancel(actor=self.actor, count=count, **self.read_input()))

    @action(detail=True, methods=["get"])
    def variances(self, request: Request, pk: str) -> Response:
        return self.answer(selectors.variances_of(self.get_object()))

    def _as_it_is(self, count: StockCount, *, status: int | None = None) -> Response:
        return self.answer(selectors.counts_visible_to(self.actor).get(id=count.id), status=status)

    def _line(self, line: CountLine) -> Response:
        return self.answer(selectors.count_lines_visible_to(self.actor).get(id=line.id))


class CountLineFilter(django_filters.FilterSet):
    count = django_filters.UUIDFilter(field_name="count_id")
    is_counted = YesNoFilter(field_name="counted", lookup_expr="isnull", exclude=True)

    class Meta:
        model = CountLine
        fields: list[str] = []


class CountLineViewSet(Lists):
    """The lines of count sheets."""

    tag, noun = "Stock", "count line"
    selector = staticmethod(selectors.count_lines_visible_to)
    filterset_class = CountLineFilter
    permissions = {"list": StockPermission.VIEW}
    output = CountLineOut
    summaries = {"list": "List the lines of a sheet"}
