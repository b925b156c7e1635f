from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.pagination import BasePagination
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.errors import Invalid, NotFound
from opticshop.core.filters import YesNoFilter
from opticshop.core.pagination import KeyCursorPagination
from opticshop.core.renderers import SvgRenderer
from opticshop.core.requests import actor_of

from . import selectors, services
from .causes import CAUSES, NAMES
from .kinds import AlertState, Severity
from .models import Alert, AlertDigest, AlertRule, DigestSubscription
from .permissions import AlertPermission
from .ruling import Rule
from .serializers import (
    AlertAcknowledgeIn,
    AlertCloseIn,
    AlertDetailOut,
    AlertDigestOut,
    AlertHandOverIn,
    AlertOut,
    AlertRuleIn,
    AlertRuleOut,
    AlertSnoozeIn,
    AlertSummaryOut,
    DigestSubscribeIn,
    DigestSubscriptionOut,
)

VIEW, HANDLE, SET_UP = AlertPermission.VIEW, AlertPermission.HANDLE, AlertPermission.SET_UP
_BRANCH = OpenApiParameter("branch", uuid.UUID, description="A branch of yours; without one, all that you see")
_PLACE = OpenApiParameter("branch", uuid.UUID, description="A branch of yours; without one, the group")


class TextRenderer(SvgRenderer):
    """Text goes out as it is, a problem as JSON."""

    media_type = "text/plain"
    format = "txt"


class AllAtOnce(BasePagination):
    """The shape of every list, for things that are few and not rows: one page holds them all."""

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        return KeyCursorPagination().get_paginated_response_schema(schema)


class BranchMalformed(Invalid):
    """The branch named in the address is not an id."""

    code = "alerts.branch_malformed"
    title = "This is not the id of a branch"


def branch_named(request: Request) -> uuid.UUID | None:
    """The branch in the query string. Raises BranchMalformed."""
    text = request.query_params.get("branch")
    if not text:
        return None
    try:
        return uuid.UUID(text)
    except ValueError as error:
        raise BranchMalformed(f"{text} is not an id.", field="branch") from error


class AlertFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    cause = django_filters.ChoiceFilter(choices=[(name, name) for name in NAMES])
    state = django_filters.ChoiceFilter(choices=AlertState.choices)
    severity = django_filters.ChoiceFilter(choices=Severity.choices)
    owner = django_filters.UUIDFilter(field_name="owner_id")
    about = django_filters.CharFilter(field_name="about", label="What it is about: orders/<id>")
    mine = YesNoFilter(method="only_mine", label="Yours by name, or of your role and nobody's by name")

    class Meta:
        model = Alert
        fields: list[str] = []

    def only_mine(self, rows: QuerySet[Alert], name: str, value: bool) -> QuerySet[Alert]:
        condition = selectors.mine(actor_of(self.request))
        return rows.filter(condition) if value else rows.exclude(condition)


class AlertViewSet(ResourceViewSet):
    """What has to be seen before the customer asks; raised once, closed with its cause."""

    tag, noun = "Alerts", "alert"
    selector = staticmethod(selectors.alerts_visible_to)
    filterset_class = AlertFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "summary": VIEW,
        "acknowledge": HANDLE,
        "snooze": HANDLE,
        "hand_over": HANDLE,
        "close": HANDLE,
    }
    inputs = {
        "acknowledge": AlertAcknowledgeIn,
        "snooze": AlertSnoozeIn,
        "hand_over": AlertHandOverIn,
        "close": AlertCloseIn,
    }
    outputs = {"retrieve": AlertDetailOut, "summary": AlertSummaryOut}
    output = AlertOut
    summaries = {
        "list": "Find alerts; yours with mine",
        "retrieve": "Get one alert, with its history",
        "summary": "Count the alerts that stand, by branch and cause",
        "acknowledge": "Take an alert up",
        "snooze": "Put an alert off until a moment; it opens again then if its cause still holds",
        "hand_over": "Hand an alert over to somebody at the branch",
        "close": "Close an alert with the reason, where its cause allows that",
    }

    def get_queryset(self) -> Any:
        found: Any = super().get_queryset()
        return selectors.with_steps(found) if self.action == "retrieve" else found

    @extend_schema(parameters=[_BRANCH])
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def summary(self, request: Request) -> Response:
        found = selectors.alerts_visible_to(self.actor)
        branch_id = branch_named(request)
        if branch_id is not None:
            found = found.filter(branch=branch_get_for(self.actor, branch_id, permission=VIEW))
        standings = selectors.standings(found)
        totals = {name: sum(getattr(each, name) for each in standings) for name in ("open", "acknowledged")}
        return Response(AlertSummaryOut({**totals, "standings": standings}).data)

    @action(detail=True, methods=["post"])
    def acknowledge(self, request: Request, pk: str) -> Response:
        return self.answer(services.alert_acknowledge(actor=self.actor, alert=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def snooze(self, request: Request, pk: str) -> Response:
        return self.answer(services.alert_snooze(actor=self.actor, alert=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"], url_path="hand-over")
    def hand_over(self, request: Request, pk: str) -> Response:
        return self.answer(services.alert_hand_over(actor=self.actor, alert=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        return self.answer(services.alert_close(actor=self.actor, alert=self.get_object(), **self.read_input()))


class AlertRuleViewSet(ApiViewSet):
    """How each cause is watched: thresholds with their sources, owner, escalation. Addressed by the cause."""

    tag, noun = "Alerts", "alert rule"
    queryset = AlertRule.objects.none()
    lookup_value_regex = "[a-z_]{1,40}"
    pagination_class = AllAtOnce
    lists_many = True
    filter_backends: Sequence[Any] = ()
    permissions = {"list": VIEW, "retrieve": VIEW, "partial_update": SET_UP}
    inputs = {"partial_update": AlertRuleIn}
    output = AlertRuleOut
    summaries = {
        "list": "How each cause is watched at a branch, with the defaults and their sources",
        "retrieve": "How one cause is watched at a branch",
        "partial_update": "Set thresholds, owner or escalation of a cause at a branch, or for the group",
    }

    @extend_schema(parameters=[_PLACE], responses=AlertRuleOut(many=True))
    def list(self, request: Request) -> Response:
        found = selectors.rules_of(self._place(VIEW))
        return Response({"next": None, "previous": None, "results": AlertRuleOut(found, many=True).data})

    @extend_schema(parameters=[_PLACE])
    def retrieve(self, request: Request, pk: str) -> Response:
        return self.answer(self._rule(self._place(VIEW), pk))

    @extend_schema(parameters=[_PLACE])
    def partial_update(self, request: Request, pk: str) -> Response:
        place, version = self._place(SET_UP), self.expected_version()
        cause = self._rule(place, pk).cause
        services.rule_set(actor=self.actor, branch=place, cause=cause, version=version, changes=self.read_input())
        return self.answer(self._rule(place, pk))

    def _place(self, permission: str) -> Branch | None:
        branch_id = branch_named(self.request)
        return None if branch_id is None else branch_get_for(self.actor, branch_id, permission=permission)

    def current_version(self) -> int:
        return self._rule(self._place(VIEW), self.kwargs["pk"]).version

    def _rule(self, place: Branch | None, name: str) -> Rule:
        if name not in CAUSES:
            raise NotFound(f"There is no cause {name}.", field="cause", allowed=list(NAMES))
        return next(rule for rule in selectors.rules_of(place) if rule.cause.name == name)


class DigestFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    day = django_filters.DateFilter(field_name="day")

    class Meta:
        model = AlertDigest
        fields: list[str] = []


class AlertDigestViewSet(ResourceViewSet):
    """What stood open when a branch opened on a day."""

    tag, noun = "Alerts", "alert digest"
    selector = staticmethod(selectors.digests_visible_to)
    filterset_class = DigestFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "text": VIEW}
    output = AlertDigestOut
    summaries = {
        "list": "Find daily digests",
        "retrieve": "Get one digest",
        "text": "Get one digest as plain text",
    }

    @extend_schema(responses={(200, TextRenderer.media_type): OpenApiTypes.STR})
    @action(detail=True, methods=["get"], renderer_classes=[TextRenderer])
    def text(self, request: Request, pk: str) -> Response:
        return Response(self.get_object().text)


class DigestSubscriptionViewSet(Lists):
    """The branches whose digest you are sent by e-mail."""

    tag, noun = "Alerts", "digest subscription"
    queryset = DigestSubscription.objects.none()
    selector = staticmethod(selectors.subscriptions_visible_to)
    permissions = {"list": VIEW, "create": VIEW, "destroy": VIEW}
    inputs = {"create": DigestSubscribeIn}
    output = DigestSubscriptionOut
    statuses = {"create": 201, "destroy": 204}
    summaries = {
        "list": "The digests you are sent",
        "create": "Be sent the daily digest of a branch",
        "destroy": "Be sent it no longer",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=VIEW)
        return self.answer(services.digest_subscribe(actor=self.actor, branch=branch, **body), status=201)

    def destroy(self, request: Request, pk: str) -> Response:
        services.digest_unsubscribe(actor=self.actor, subscription=self.get_object())
        return Response(status=204)


routes: list[tuple[str, Any]] = [
    ("alerts/rules", AlertRuleViewSet),
    ("alerts/digests", AlertDigestViewSet),
    ("alerts/digest-subscriptions", DigestSubscriptionViewSet),
    ("alerts", AlertViewSet),
]
