from __future__ import annotations

from typing import Any

import django_filters
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.renderers import AnyFileRenderer
from opticshop.customers.filters import CustomerFilter

from . import selectors, services
from .models import KeptIdentity, PrivacyRequest, RequestKind, RequestState, RetentionPeriod, RetentionRun, RunState
from .obstacles import obstacles_of
from .permissions import PrivacyPermission
from .persons import person_of
from .planning import plan_for
from .serializers import (
    RECORD_KINDS,
    ErasurePreviewOut,
    KeptIdentityOut,
    PrivacyNothingIn,
    PrivacyRequestOut,
    RequestDecisionIn,
    RequestExtendIn,
    RequestReceiveIn,
    RetentionPeriodIn,
    RetentionPeriodOut,
    RetentionRunOut,
)
from .services.requests import require_all_branches

VIEW, HANDLE = PrivacyPermission.VIEW, PrivacyPermission.HANDLE


class ZipRenderer(AnyFileRenderer):
    media_type = "application/zip"
    format = "zip"


class RequestFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    kind = django_filters.ChoiceFilter(choices=RequestKind.choices)
    state = django_filters.ChoiceFilter(choices=RequestState.choices)
    due_soon = YesNoFilter(method="by_due", label="true: open, and due within a week or over")

    class Meta:
        model = PrivacyRequest
        fields: list[str] = []

    def by_due(self, queryset: Any, name: str, value: bool) -> Any:
        return selectors.due_soon(queryset) if value else queryset


class PrivacyRequestViewSet(ResourceViewSet):
    """What people ask about their data: a copy, erasure, restriction, correction; by when, and what came of it."""

    tag, noun = "Privacy", "privacy request"
    selector = staticmethod(selectors.requests_visible_to)
    filterset_class = RequestFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": HANDLE,
        "extend": HANDLE,
        "refuse": HANDLE,
        "withdraw": HANDLE,
        "prepare": HANDLE,
        "copy": HANDLE,
        "preview": HANDLE,
        "carry_out": HANDLE,
    }
    inputs = {
        "create": RequestReceiveIn,
        "extend": RequestExtendIn,
        "refuse": RequestDecisionIn,
        "withdraw": RequestDecisionIn,
        "prepare": PrivacyNothingIn,
        "carry_out": RequestDecisionIn,
    }
    outputs = {"preview": ErasurePreviewOut}
    output = PrivacyRequestOut
    guarded = frozenset({"extend", "refuse", "withdraw", "carry_out"})
    summaries = {
        "list": "Find requests; due_soon=true for those that press",
        "retrieve": "Get one request with its steps",
        "create": "Write down what somebody asked, and how it was made sure who asks",
        "extend": "Take two more months, with the reason",
        "refuse": "Refuse it, with the reason",
        "withdraw": "The person does not want it any more",
        "prepare": "Have the copy of an access request made",
        "copy": "Fetch the copy as ZIP; that it was fetched is written down",
        "preview": "What erasing this person would do, and what stands in the way",
        "carry_out": "Do what was asked and close the request; erasure cannot be undone",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        body["customer"] = selectors.customer_for_request(self.actor, body["customer"])
        if body.get("guardian"):
            body["guardian"] = selectors.customer_for_request(self.actor, body["guardian"], field="guardian")
        made = services.request_receive(actor=self.actor, **body)
        return self._shown(made, status=201)

    @action(detail=True, methods=["post"])
    def extend(self, request: Request, pk: str) -> Response:
        return self._guarded(services.request_extend)

    @action(detail=True, methods=["post"])
    def refuse(self, request: Request, pk: str) -> Response:
        return self._guarded(services.request_refuse)

    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        return self._guarded(services.request_withdraw)

    @action(detail=True, methods=["post"], url_path="carry-out")
    def carry_out(self, request: Request, pk: str) -> Response:
        return self._guarded(services.request_carry_out)

    @action(detail=True, methods=["post"])
    def prepare(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        self.read_input()
        return self._shown(services.copy_prepare(actor=self.actor, request=found))

    @extend_schema(responses={(200, "application/zip"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[ZipRenderer], filterset_class=None)
    def copy(self, request: Request, pk: str) -> HttpResponse:
        file = services.copy_fetch(actor=self.actor, request=self.get_object())
        headers = {
            "Content-Disposition": f'attachment; filename="copy-{file.request_id}.zip"',
            "Cache-Control": "no-store",
        }
        return HttpResponse(bytes(file.content or b""), content_type="application/zip", headers=headers)

    @action(detail=True, methods=["get"], filterset_class=None)
    def preview(self, request: Request, pk: str) -> Response:
        found = self.get_object()
        require_all_branches(self.actor, found.customer)
        person = person_of(found.customer)
        plan = plan_for(person)
        shown = {
            "obstacles": obstacles_of(person),
            "last_seen": person.last_seen,
            "kept_until": plan.kept_until,
            "tables": plan.tables,
        }
        return Response(ErasurePreviewOut(shown).data)

    def _guarded(self, service: Any) -> Response:
        found, version = self.get_object(), self.expected_version()
        return self._shown(service(actor=self.actor, request=found, version=version, **self.read_input()))

    def _shown(self, found: PrivacyRequest, status: int | None = None) -> Response:
        return self.answer(self.get_queryset().get(id=found.id), status=status)


class KeptIdentityViewSet(ResourceViewSet):
    """Who erased persons were, for as long as records of theirs must be kept."""

    tag, noun = "Privacy", "kept identity"
    selector = staticmethod(selectors.identities_visible_to)
    permissions = {"list": HANDLE, "retrieve": HANDLE}
    output = KeptIdentityOut
    summaries = {
        "list": "Find whose records are kept although they were erased",
        "retrieve": "Get one of them",
    }

    class Filter(django_filters.FilterSet):
        customer = CustomerFilter(field_name="customer")

        class Meta:
            model = KeptIdentity
            fields: list[str] = []

    filterset_class = Filter


class RetentionPeriodFilter(django_filters.FilterSet):
    kind = django_filters.ChoiceFilter(choices=RECORD_KINDS)
    jurisdiction = django_filters.CharFilter()

    class Meta:
        model = RetentionPeriod
        fields: list[str] = []


class RetentionPeriodViewSet(ResourceViewSet):
    """How long the group keeps records of a kind, where it is not as long as we start from."""

    tag, noun = "Privacy", "retention period"
    selector = staticmethod(selectors.periods_visible_to)
    filterset_class = RetentionPeriodFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": HANDLE}
    inputs = {"create": RetentionPeriodIn}
    output = RetentionPeriodOut
    summaries = {
        "list": "The group's own periods",
        "retrieve": "Get one period",
        "create": "Write how long records of a kind are kept from a day on, with the source",
    }

    def create(self, request: Request) -> Response:
        return self.answer(services.period_write(actor=self.actor, **self.read_input()), status=201)


class RetentionRunFilter(django_filters.FilterSet):
    state = django_filters.ChoiceFilter(choices=RunState.choices)

    class Meta:
        model = RetentionRun
        fields: list[str] = []


class RetentionRunViewSet(ResourceViewSet):
    """Records whose time is over: found every night, carried out once head office approves."""

    tag, noun = "Privacy", "retention run"
    selector = staticmethod(selectors.runs_visible_to)
    filterset_class = RetentionRunFilter
    permissions = {"list": HANDLE, "retrieve": HANDLE, "approve": HANDLE, "discard": HANDLE}
    inputs = {"approve": PrivacyNothingIn, "discard": PrivacyNothingIn}
    output = RetentionRunOut
    guarded = frozenset({"approve", "discard"})
    summaries = {
        "list": "Find runs, newest first",
        "retrieve": "Get one run: what it found, and what was done of it",
        "approve": "Have what is over let go, in pieces; it cannot be undone",
        "discard": "Do nothing; the next night proposes anew",
    }

    @action(detail=True, methods=["post"])
    def approve(self, request: Request, pk: str) -> Response:
        return self._decide(RunState.APPROVED)

    @action(detail=True, methods=["post"])
    def discard(self, request: Request, pk: str) -> Response:
        return self._decide(RunState.DISCARDED)

    def _decide(self, state: str) -> Response:
        run, version = self.get_object(), self.expected_version()
        self.read_input()
        return self.answer(services.run_decide(actor=self.actor, run=run, version=version, state=state))


routes = [
    ("privacy/requests", PrivacyRequestViewSet),
    ("privacy/kept-identities", KeptIdentityViewSet),
    ("privacy/periods", RetentionPeriodViewSet),
    ("privacy/retention-runs", RetentionRunViewSet),
]
