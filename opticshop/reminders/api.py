from __future__ import annotations

from typing import Any

import django_filters
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core import clock
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.customers.filters import CustomerFilter

from . import figures, selectors, services
from .models import Campaign, CampaignState, Outcome, Recall
from .permissions import ReminderPermission
from .serializers import (
    CampaignIn,
    CampaignOut,
    CampaignPatchIn,
    CampaignTriedOut,
    FiguresQueryIn,
    RecallCloseIn,
    RecallFiguresOut,
    RecallOut,
    RecallPolicyOut,
)

VIEW, MANAGE = ReminderPermission.VIEW, ReminderPermission.MANAGE


class RecallFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    state = django_filters.ChoiceFilter(choices=Recall.State.choices)
    outcome = django_filters.ChoiceFilter(choices=Outcome.choices)
    due_from = django_filters.DateFilter(field_name="due_on", lookup_expr="gte")
    due_to = django_filters.DateFilter(field_name="due_on", lookup_expr="lte")
    cannot_be_told = YesNoFilter(method="by_reach", label="Whether nobody can be told, as far as is on record")

    class Meta:
        model = Recall
        fields: list[str] = []

    def by_reach(self, queryset: Any, name: str, value: bool) -> Any:
        mute = selectors.cannot_be_told(clock.now().date())
        return queryset.filter(mute if value else ~mute)


class RecallViewSet(ResourceViewSet):
    """When wearers are to be called back, and why then."""

    tag, noun = "Reminders", "recall"
    selector = staticmethod(selectors.recalls_visible_to)
    filterset_class = RecallFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "close": MANAGE, "figures": VIEW, "policies": VIEW}
    inputs = {"close": RecallCloseIn}
    output = RecallOut
    outputs = {"figures": RecallFiguresOut, "policies": RecallPolicyOut}
    summaries = {
        "list": "Find recalls; those due in a window with due_from and due_to",
        "retrieve": "Get one recall",
        "close": "Close a planned recall, with the reason",
        "figures": "How many people came back, of those due; and who cannot be told next month",
        "policies": "List the policies that a branch may pick, with the conditions that they know",
    }

    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        recall = services.recall_close(actor=self.actor, recall=self.get_object(), **self.read_input())
        return self.answer(recall)

    @extend_schema(parameters=[FiguresQueryIn], filters=False)  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def figures(self, request: Request) -> Response:
        """Counted by the day on which people were due. Next month is the one after today's (UTC)."""
        query = FiguresQueryIn(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        branch = branch_get_for(self.actor, asked["branch"], permission=VIEW) if "branch" in asked else None
        return self.answer(figures.recall_figures(self.actor, branch, asked["from"], asked["to"]))

    @extend_schema(responses=RecallPolicyOut(many=True), filters=False)  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def policies(self, request: Request) -> Response:
        return Response(RecallPolicyOut(figures.known_policies(), many=True).data)


class CampaignFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    state = django_filters.ChoiceFilter(choices=CampaignState.choices)

    class Meta:
        model = Campaign
        fields: list[str] = []


class CampaignViewSet(ResourceViewSet):
    """How a branch calls people back: which notices when, by which ways, at which hours, how many a day."""

    tag, noun = "Reminders", "recall campaign"
    selector = staticmethod(selectors.campaigns_visible_to)
    filterset_class = CampaignFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": MANAGE,
        "partial_update": MANAGE,
        "start": MANAGE,
        "pause": MANAGE,
        "resume": MANAGE,
        "finish": MANAGE,
        "dry_run": MANAGE,
    }
    inputs = {"create": CampaignIn, "partial_update": CampaignPatchIn}
    output = CampaignOut
    outputs = {"dry_run": CampaignTriedOut}
    summaries = {
        "list": "List campaigns",
        "retrieve": "Get one campaign",
        "create": "Draft a campaign; nobody is told anything before it is started",
        "partial_update": "Change the terms of a campaign, open or not",
        "start": "Start a draft",
        "pause": "Make no further notices until it is resumed",
        "resume": "Let a paused campaign go on",
        "finish": "End a campaign for good",
        "dry_run": "What it would make today: counts, reasons and examples; nothing is written",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=MANAGE)
        campaign = services.campaign_draft(actor=self.actor, branch=branch, **_with_notices(body))
        return self._shown(campaign, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        campaign, version = self.get_object(), self.expected_version()
        changes = _with_notices(self.read_input())
        return self._shown(
            services.campaign_amend(actor=self.actor, campaign=campaign, version=version, changes=changes)
        )

    @extend_schema(request=None)  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["post"])
    def start(self, request: Request, pk: str) -> Response:
        return self._shown(services.campaign_start(actor=self.actor, campaign=self.get_object()))

    @extend_schema(request=None)  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["post"])
    def pause(self, request: Request, pk: str) -> Response:
        """What is queued already still goes out; it can be taken back at `messages`."""
        return self._shown(services.campaign_pause(actor=self.actor, campaign=self.get_object()))

    @extend_schema(request=None)  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["post"])
    def resume(self, request: Request, pk: str) -> Response:
        return self._shown(services.campaign_resume(actor=self.actor, campaign=self.get_object()))

    @extend_schema(request=None)  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["post"])
    def finish(self, request: Request, pk: str) -> Response:
        """Recalls stay planned; the next campaign goes on with the notice at which each of them stands."""
        return self._shown(services.campaign_finish(actor=self.actor, campaign=self.get_object()))

    @action(detail=True, methods=["get"], url_path="dry-run")
    def dry_run(self, request: Request, pk: str) -> Response:
        return self.answer(services.campaign_try(actor=self.actor, campaign=self.get_object()))

    def _shown(self, campaign: Campaign, status: int | None = None) -> Response:
        return self.answer(selectors.campaign_get_for(self.actor, campaign.id), status=status)


def _with_notices(body: dict[str, Any]) -> dict[str, Any]:
    if "notices" in body:
        body["notices"] = [services.Notice(**each) for each in body["notices"]]
    return body


routes: list[tuple[str, type[ApiViewSet]]] = [("recalls", RecallViewSet), ("recall-campaigns", CampaignViewSet)]
