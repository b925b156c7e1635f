from __future__ import annotations

import datetime as dt
import uuid

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core import clock
from opticshop.core.api import ResourceViewSet

from . import selectors, services
from .calendars import calendar_of
from .models import Branch
from .permissions import BranchPermission
from .serializers import (
    BranchCalendarOut,
    BranchChangeIn,
    BranchOpenIn,
    BranchOut,
    CalendarAsked,
    ClosureAddIn,
    ClosureLiftIn,
    OpeningHoursIn,
)


class BranchViewSet(ResourceViewSet):
    """The branches you work in."""

    tag, noun = "Branches", "branch"
    selector = staticmethod(selectors.branches_visible_to)
    permissions = {
        "list": BranchPermission.VIEW,
        "retrieve": BranchPermission.VIEW,
        "create": BranchPermission.EDIT,
        "partial_update": BranchPermission.EDIT,
        "calendar": BranchPermission.VIEW,
        "hours": BranchPermission.CALENDAR,
        "closures": BranchPermission.CALENDAR,
        "lift_closure": BranchPermission.CALENDAR,
    }
    inputs = {
        "create": BranchOpenIn,
        "partial_update": BranchChangeIn,
        "hours": OpeningHoursIn,
        "closures": ClosureAddIn,
        "lift_closure": ClosureLiftIn,
    }
    outputs = dict.fromkeys(("calendar", "hours", "closures", "lift_closure"), BranchCalendarOut)
    output = BranchOut
    statuses = {"closures": 201}
    summaries = {
        "list": "List the branches you work in",
        "retrieve": "Get one branch",
        "create": "Open a branch (head office)",
        "partial_update": "Change a branch's details",
        "calendar": "When the branch works: its week, closures, and day by day with public holidays",
        "hours": "Set the whole week",
        "closures": "Close the branch for some days",
        "lift_closure": "Take a closure back",
    }

    def create(self, request: Request) -> Response:
        return self.answer(services.branch_open(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        branch = self.get_object()
        changes = self.read_input()
        return self.answer(
            services.branch_change(actor=self.actor, branch=branch, version=self.expected_version(), changes=changes)
        )

    @extend_schema(parameters=[CalendarAsked])
    @action(detail=True, methods=["get"])
    def calendar(self, request: Request, pk: str) -> Response:
        asked = CalendarAsked(data=request.query_params.dict())
        asked.is_valid(raise_exception=True)
        return self._calendar(self.get_object(), **asked.validated_data)

    @action(detail=True, methods=["post"])
    def hours(self, request: Request, pk: str) -> Response:
        branch = self.get_object()
        week = {row["weekday"]: (row["opens_at"], row["closes_at"]) for row in self.read_input()["hours"]}
        services.opening_hours_set(actor=self.actor, branch=branch, hours=week)
        return self._calendar(branch)

    @action(detail=True, methods=["post"])
    def closures(self, request: Request, pk: str) -> Response:
        branch = self.get_object()
        services.closure_add(actor=self.actor, branch=branch, **self.read_input())
        return self._calendar(branch, status=201)

    @extend_schema(parameters=[OpenApiParameter("closure", OpenApiTypes.UUID, OpenApiParameter.PATH)])
    @action(detail=True, methods=["post"], url_path="closures/(?P<closure>[0-9a-f-]{36})/lift")
    def lift_closure(self, request: Request, pk: str, closure: str) -> Response:
        branch = self.get_object()
        self.read_input()
        services.closure_lift(actor=self.actor, branch=branch, closure_id=uuid.UUID(closure))
        return self._calendar(branch)

    def _calendar(self, branch: Branch, first: dt.date | None = None, count: int = 28, status: int = 200) -> Response:
        first = first or clock.today(branch.time_zone)
        calendar = calendar_of(branch)
        body = {
            "branch": branch.id,
            "hours": branch.opening_hours.all(),
            "closures": branch.closures.filter(last_on__gte=first),
            "knows_holidays": calendar.knows_holidays,
            "days": selectors.calendar_days(calendar, first, count),
        }
        return self.answer(body, status=status)


routes = [("branches", BranchViewSet)]
