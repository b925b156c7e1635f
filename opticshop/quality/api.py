from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import Exists, OuterRef
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.filters import DaysFilterSet, day_filter, instants
from opticshop.core.api import ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.instruments.selectors import instrument_get_for
from opticshop.orders.selectors import order_get_for
from opticshop.workshop.selectors import job_get_for

from . import selectors, services
from .certificate_api import routes as certificate_routes
from .charts_api import routes as chart_routes
from .drafts_api import routes as draft_routes
from .lookback_api import routes as look_back_routes
from .models import Handover, Inspection
from .permissions import QualityPermission
from .returns_api import routes as return_routes
from .serializers import HandoverOut, HandoverRecordIn, InspectionOut, InspectionRecordIn, SecondCheckIn

MEASURED = ("right", "left", "pair", "instrument_uncertainty")


class InspectionFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    job = django_filters.UUIDFilter(field_name="job_id")
    order = django_filters.UUIDFilter(field_name="job__order_id")
    outcome = django_filters.ChoiceFilter(choices=Inspection.Outcome.choices)

    class Meta:
        model = Inspection
        fields: list[str] = []


class InspectionViewSet(ResourceViewSet):
    """Final inspections: what was measured, the verdict parameter by parameter, kept as given."""

    tag, noun = "Inspections", "inspection"
    selector = staticmethod(selectors.inspections_visible_to)
    filterset_class = InspectionFilter
    permissions = {
        "list": QualityPermission.VIEW,
        "retrieve": QualityPermission.VIEW,
        "create": QualityPermission.INSPECT,
        "second_check": QualityPermission.INSPECT,
    }
    inputs = {"create": InspectionRecordIn, "second_check": SecondCheckIn}
    output = InspectionOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find inspections",
        "retrieve": "Get one inspection with its verdict",
        "create": "Inspect a glazed pair; the answer is the verdict with limits, deviations and clauses",
        "second_check": "Confirm a passed pair as the second person, where the branch asks for one",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        inspection = services.inspection_record(
            actor=self.actor,
            job=job_get_for(self.actor, body["job"]),
            readings={name: body[name] for name in MEASURED if name in body},
            visual=body.get("visual", {}),
            standard=body.get("standard"),
            redo_from=body["redo_from"],
            supervised_by=body.get("supervised_by"),
            instruments=[instrument_get_for(self.actor, key) for key in body.get("instruments", ())],
        )
        return self.answer(inspection, status=201)

    @action(detail=True, methods=["post"], url_path="second-check")
    def second_check(self, request: Request, pk: str) -> Response:
        inspection = self.get_object()
        return self.answer(services.inspection_confirm(actor=self.actor, inspection=inspection, **self.read_input()))


class HandoverFilter(DaysFilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    handed_over_from = day_filter("Handed over on this day of its branch or later")
    handed_over_to = day_filter("Handed over on this day of its branch or earlier")
    is_first = YesNoFilter(method="by_first", label="Whether the order was never handed over before")

    spans = {"handed_over": instants("handed_over_at")}

    class Meta:
        model = Handover
        fields: list[str] = []

    def by_first(self, queryset: Any, name: str, value: bool) -> Any:
        earlier = Handover.objects.everywhere("a condition on handovers that are scoped themselves").filter(
            order=OuterRef("order"), handed_over_at__lt=OuterRef("handed_over_at")
        )
        return queryset.filter(~Exists(earlier) if value else Exists(earlier))


class HandoverViewSet(ResourceViewSet):
    """Collections: a passed and paid pair given to the customer, with the cautions to give."""

    tag, noun = "Handover", "handover"
    selector = staticmethod(selectors.handovers_visible_to)
    filterset_class = HandoverFilter
    permissions = {
        "list": QualityPermission.VIEW,
        "retrieve": QualityPermission.VIEW,
        "create": QualityPermission.HANDOVER,
    }
    inputs = {"create": HandoverRecordIn}
    output = HandoverOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find handovers",
        "retrieve": "Get one handover",
        "create": "Hand a pair over: it must be ready, passed, paid, and supervised where the supply is restricted",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"))
        return self.answer(services.handover_record(actor=self.actor, order=order, **body), status=201)


routes = [("inspections", InspectionViewSet), ("handovers", HandoverViewSet), *draft_routes, *certificate_routes]
routes += [*chart_routes, *look_back_routes, *return_routes]
