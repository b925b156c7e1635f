"""Endpoints of reports that are sent by mail."""

from __future__ import annotations

import django_filters
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import Lists, ResourceViewSet

from . import selectors, services
from .models import ReportMail, ReportSchedule
from .permissions import ReportPermission
from .serializers_schedules import (
    ReportAddressConfirmIn,
    ReportAddressIn,
    ReportAddressOut,
    ReportMailOut,
    ReportScheduleChangeIn,
    ReportScheduleIn,
    ReportScheduleOut,
    ReportSchedulePauseIn,
)

VIEW, SCHEDULE = ReportPermission.VIEW, ReportPermission.SCHEDULE


class ReportScheduleFilter(django_filters.FilterSet):
    report = django_filters.CharFilter()
    state = django_filters.ChoiceFilter(choices=ReportSchedule.State.choices)

    class Meta:
        model = ReportSchedule
        fields: list[str] = []


class ReportScheduleViewSet(ResourceViewSet):
    """Reports sent by mail again and again. Seen by who made one and by whom it is sent to; changed by who made it."""

    tag, noun = "Reports", "report schedule"
    buckets = {"send_now": "exports"}
    selector = staticmethod(selectors.schedules_visible_to)
    filterset_class = ReportScheduleFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": SCHEDULE,
        "partial_update": SCHEDULE,
        "destroy": SCHEDULE,
        "pause": SCHEDULE,
        "resume": SCHEDULE,
        "leave": VIEW,
        "send_now": VIEW,
    }
    inputs = {
        "create": ReportScheduleIn,
        "partial_update": ReportScheduleChangeIn,
        "pause": ReportSchedulePauseIn,
    }
    output = ReportScheduleOut
    outputs = {"send_now": ReportMailOut}
    statuses = {"destroy": 204, "leave": 204, "send_now": 202}
    summaries = {
        "list": "List the report schedules that you made or are sent",
        "retrieve": "Get one schedule, with its next moment and whom it is sent to",
        "create": "Have a report sent by mail again and again",
        "partial_update": "Change what is sent, when and to whom",
        "destroy": "Delete a schedule; what waits of it is not sent",
        "pause": "Send nothing until it is resumed",
        "resume": "Go on with the next moment",
        "leave": "Be sent it no more",
        "send_now": "Be sent one at once, alone",
    }

    def create(self, request: Request) -> Response:
        return self._shown(services.schedule_make(actor=self.actor, **self.read_input()), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        schedule, version = self.get_object(), self.expected_version()
        return self._shown(
            services.schedule_change(actor=self.actor, schedule=schedule, version=version, changes=self.read_input())
        )

    def destroy(self, request: Request, pk: str) -> Response:
        services.schedule_end(actor=self.actor, schedule=self.get_object())
        return Response(status=204)

    @action(detail=True, methods=["post"])
    def pause(self, request: Request, pk: str) -> Response:
        schedule = self.get_object()
        return self._shown(services.schedule_pause(actor=self.actor, schedule=schedule, **self.read_input()))

    @action(detail=True, methods=["post"])
    def resume(self, request: Request, pk: str) -> Response:
        """What would have been sent meanwhile is not made up for."""
        schedule = self.get_object()
        return self._shown(services.schedule_resume(actor=self.actor, schedule=schedule))

    @action(detail=True, methods=["post"])
    def leave(self, request: Request, pk: str) -> Response:
        schedule = self.get_object()
        services.schedule_leave(actor=self.actor, schedule=schedule)
        return Response(status=204)

    @action(detail=True, methods=["post"], url_path="send-now")
    def send_now(self, request: Request, pk: str) -> Response:
        """Of the days that it would be of today. Nobody else is sent it."""
        schedule = self.get_object()
        return self.answer(services.schedule_send_now(actor=self.actor, schedule=schedule))

    def _shown(self, schedule: ReportSchedule, *, status: int = 200) -> Response:
        return self.answer(selectors.schedule_get_for(self.actor, schedule.id), status=status)


class ReportMailFilter(django_filters.FilterSet):
    schedule = django_filters.UUIDFilter(field_name="occurrence__schedule_id")
    state = django_filters.ChoiceFilter(choices=ReportMail.State.choices)

    class Meta:
        model = ReportMail
        fields: list[str] = []


class ReportMailViewSet(ResourceViewSet):
    """What was sent of schedules, to whom, and why not: your own, and those of the schedules that you made."""

    tag, noun = "Reports", "report mail"
    selector = staticmethod(selectors.mails_visible_to)
    filterset_class = ReportMailFilter
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = ReportMailOut
    summaries = {"list": "List what was sent by mail, and what was not", "retrieve": "Get one mail"}


class ReportAddressViewSet(Lists):
    """Whether the address of your account is proved: reports are sent to no other."""

    tag, noun = "Reports", "report address"
    buckets = {"create": "exports", "confirm": "exports"}
    selector = staticmethod(selectors.addresses_of)
    permissions = {"list": VIEW, "create": VIEW, "confirm": VIEW}
    inputs = {"create": ReportAddressIn, "confirm": ReportAddressConfirmIn}
    output = ReportAddressOut
    statuses = {"create": 202}
    summaries = {
        "list": "Your address, once you asked for a code",
        "create": "Have a code sent to the address of your account",
        "confirm": "Say the code that was sent",
    }

    def create(self, request: Request) -> Response:
        """Nothing is sent where it is proved already, or a code was sent within five minutes."""
        return self.answer(services.address_ask(actor=self.actor, **self.read_input()))

    @action(detail=False, methods=["post"])
    def confirm(self, request: Request) -> Response:
        return self.answer(services.address_confirm(actor=self.actor, **self.read_input()))


routes = [
    ("report-schedules", ReportScheduleViewSet),
    ("report-mails", ReportMailViewSet),
    ("report-addresses", ReportAddressViewSet),
]
