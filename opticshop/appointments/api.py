from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

import django_filters
from django.http import HttpResponse
from django.urls import reverse
from django.utils.cache import get_conditional_response
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for, branches_visible_to
from opticshop.core import clock
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.pagination import KeyCursorPagination
from opticshop.core.renderers import SvgRenderer
from opticshop.core.requests import actor_of
from opticshop.core.throttling import AnonymousThrottle
from opticshop.customers.contacting import identities
from opticshop.customers.selectors import customer_get_for
from opticshop.orders.selectors import order_get_for

from . import calendar_files, hours, selectors, services, showing
from .models import Appointment, CalendarFeed
from .permissions import AppointmentPermission
from .serializers import (
    DAYS,
    MOST_DAYS,
    AppointmentBookIn,
    AppointmentCancelIn,
    AppointmentChangeIn,
    AppointmentOut,
    AppointmentStepIn,
    CalendarFeedOut,
    CalendarFeedSharedOut,
    CalendarFeedShareIn,
    FreeAsked,
    FreeOut,
)

VIEW, BOOK = AppointmentPermission.VIEW, AppointmentPermission.BOOK
SHARE_OWN = AppointmentPermission.SHARE_OWN_FEED


class CalendarRenderer(SvgRenderer):
    media_type = calendar_files.MEDIA_TYPE
    format = "ics"


class InTimeOrder(KeyCursorPagination):
    """Pages in the order of the day; an index of (branch, starts_at, id) serves them."""

    ordering = ("starts_at", "id")  # type: ignore[assignment]


class AppointmentFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = django_filters.UUIDFilter(
        method="by_customer", label="The customer, with all records of the same person"
    )
    kind = django_filters.ChoiceFilter(choices=Appointment.Kind.choices)
    state = django_filters.ChoiceFilter(choices=Appointment.State.choices)
    to = django_filters.DateFilter(method="by_last_day", validators=DAYS, label="Last day, of the branch named")

    class Meta:
        model = Appointment
        fields: list[str] = []

    def by_customer(self, queryset: Any, name: str, value: uuid.UUID) -> Any:
        return queryset.filter(customer_id__in=identities(value))

    def by_first_day(self, queryset: Any, name: str, day: dt.date) -> Any:
        return queryset.filter(starts_at__gte=hours.midnight(day, self._zone()))

    def by_last_day(self, queryset: Any, name: str, day: dt.date) -> Any:
        return queryset.filter(starts_at__lt=hours.midnight(day + dt.timedelta(days=1), self._zone()))

    def _zone(self) -> str:
        """The zone of the branch named; of one the actor does not see nothing is shown, whatever its zone."""
        named = self.form.cleaned_data.get("branch")
        if named is None:
            raise ValidationError({"branch": ["Name the branch whose days these are."]})
        rows = branches_visible_to(actor_of(self.request)).filter(id=named)
        return rows.values_list("time_zone", flat=True).first() or "UTC"


# Words of the query that are also words of Python.
AppointmentFilter.base_filters["from"] = django_filters.DateFilter(
    method="by_first_day", validators=DAYS, label="First day, of the branch named"
)
AppointmentFilter.base_filters["with"] = django_filters.UUIDFilter(
    field_name="seen_by_id", label="Who sees the customer"
)


class AppointmentViewSet(ResourceViewSet):
    """Who comes when. Lists are in the order of time; days are those of the branch."""

    tag, noun = "Appointments", "appointment"
    selector = staticmethod(selectors.appointments_visible_to)
    filterset_class = AppointmentFilter
    pagination_class = InTimeOrder
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "calendar": VIEW,
        "free": VIEW,
        "create": BOOK,
        "partial_update": BOOK,
        "cancel": BOOK,
        "arrive": BOOK,
        "attend": BOOK,
        "miss": BOOK,
    }
    inputs = {
        "create": AppointmentBookIn,
        "partial_update": AppointmentChangeIn,
        "cancel": AppointmentCancelIn,
        "arrive": AppointmentStepIn,
        "attend": AppointmentStepIn,
        "miss": AppointmentStepIn,
    }
    outputs = {"free": FreeOut}
    output = AppointmentOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find appointments, in the order of time; a day of a branch with from and to",
        "retrieve": "Get one appointment",
        "calendar": "One appointment as iCalendar, for the customer: branch, address and time only",
        "free": "What is free: opening hours less what is booked",
        "create": "Book a customer within opening hours",
        "partial_update": "Put an appointment off, or change who sees the customer, the place or the note",
        "cancel": "Call an appointment off, with the reason",
        "arrive": "The customer is here",
        "attend": "The customer was seen",
        "miss": "The customer did not come",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=BOOK)
        body["customer"] = customer_get_for(self.actor, body["customer"])
        if body.get("order"):
            body["order"] = order_get_for(self.actor, body["order"])
        row = services.appointment_book(actor=self.actor, branch=branch, **self._with_person(branch, body))
        return self.answer(self._fresh(row), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        row, version = self.get_object(), self.expected_version()
        changes = self._with_person(row.branch, self.read_input())
        return self.answer(
            self._fresh(
                services.appointment_change(actor=self.actor, appointment=row, version=version, changes=changes)
            )
        )

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        row = self.get_object()
        return self.answer(services.appointment_cancel(actor=self.actor, appointment=row, **self.read_input()))

    @action(detail=True, methods=["post"])
    def arrive(self, request: Request, pk: str) -> Response:
        return self._step(services.appointment_arrive)

    @action(detail=True, methods=["post"])
    def attend(self, request: Request, pk: str) -> Response:
        return self._step(services.appointment_attend)

    @action(detail=True, methods=["post"])
    def miss(self, request: Request, pk: str) -> Response:
        return self._step(services.appointment_miss)

    @extend_schema(responses={(200, CalendarRenderer.media_type): OpenApiTypes.STR})
    @action(detail=True, methods=["get"], renderer_classes=[CalendarRenderer])
    def calendar(self, request: Request, pk: str) -> Response:
        text = calendar_files.written([showing.customer_entry(self.get_object())])
        name = 'attachment; filename="appointment.ics"'
        return Response(text, headers={"Content-Disposition": name, "Cache-Control": "no-store"})

    @extend_schema(parameters=[FreeAsked], filters=False)
    @action(detail=False, methods=["get"], filter_backends=[], pagination_class=None)
    def free(self, request: Request) -> Response:
        query = FreeAsked(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        branch = branch_get_for(self.actor, asked["branch"], permission=VIEW)
        first = asked.get("first") or clock.today(branch.time_zone)
        last = asked.get("to") or first + dt.timedelta(days=6)
        if not 0 <= (last - first).days < MOST_DAYS:
            raise ValidationError({"to": [f"At most {MOST_DAYS} days, the last not before the first."]})
        customer = customer_get_for(self.actor, asked["customer"]) if "customer" in asked else None
        person = _person(branch, asked["person"]) if "person" in asked else None
        length = dt.timedelta(minutes=asked["minutes"])
        stretches = selectors.free_stretches(branch, first, last, customer=customer, person=person)
        stretches = [stretch for stretch in stretches if stretch.length >= length]
        slots = [slot for stretch in stretches for slot in hours.slots(stretch, length)]
        body = {"branch": branch.id, "minutes": asked["minutes"], "stretches": stretches, "slots": slots}
        return self.answer(body)

    def _step(self, step: Any) -> Response:
        row = self.get_object()
        self.read_input()
        return self.answer(step(actor=self.actor, appointment=row))

    def _with_person(self, branch: Branch, body: dict[str, Any]) -> dict[str, Any]:
        if body.get("seen_by"):
            body["seen_by"] = _person(branch, body["seen_by"])
        return body

    def _fresh(self, row: Appointment) -> Appointment:
        return selectors.appointment_get_for(self.actor, row.id)


def _person(branch: Branch, person_id: uuid.UUID, *, field: str = "with") -> User:
    """Somebody who works at the branch. Raises PersonNotHere, also for somebody who is nowhere."""
    found = selectors.workers_of(branch).filter(id=person_id).first()
    if found is None:
        raise services.PersonNotHere(field=field, allowed="a person who works at the branch")
    return found


class CalendarFeedFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    what = django_filters.ChoiceFilter(choices=CalendarFeed.What.choices)

    class Meta:
        model = CalendarFeed
        fields: list[str] = []


class CalendarFeedViewSet(Lists):
    """Calendars of a branch that programs subscribe to. Whoever books appointments may share their own."""

    tag, noun = "Appointments", "calendar feed"
    selector = staticmethod(selectors.feeds_visible_to)
    filterset_class = CalendarFeedFilter
    permissions = {"list": VIEW, "create": SHARE_OWN, "revoke": SHARE_OWN}
    idempotent = {"create": "never"}
    inputs = {"create": CalendarFeedShareIn, "revoke": AppointmentStepIn}
    outputs = {"create": CalendarFeedSharedOut}
    output = CalendarFeedOut
    summaries = {
        "list": "Find feeds: all that you may share, and your own",
        "create": "Share a calendar; its address is shown this once",
        "revoke": "Close a feed for good",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=SHARE_OWN)
        if body.get("person"):
            body["person"] = _person(branch, body["person"], field="person")
        shared = services.feed_share(actor=self.actor, branch=branch, **body)
        shared.feed.url = request.build_absolute_uri(  # type: ignore[attr-defined]
            reverse("calendar", args=[shared.token])
        )
        return self.answer(shared.feed, status=201)

    @action(detail=True, methods=["post"])
    def revoke(self, request: Request, pk: str) -> Response:
        feed = self.get_object()
        self.read_input()
        return self.answer(services.feed_revoke(actor=self.actor, feed=feed))


class CalendarView(APIView):
    """``GET /calendars/<token>.ics``: whoever has the address reads the calendar; nobody signs in."""

    authentication_classes = []
    permission_classes = []
    throttle_classes = [AnonymousThrottle]
    renderer_classes = [CalendarRenderer, JSONRenderer]
    schema = None

    def get(self, request: Request, token: str) -> HttpResponse:
        feed, entries = services.feed_read(token)
        tag = calendar_files.tag_of(feed.name, entries)
        answer = get_conditional_response(request._request, etag=tag)
        if answer is None or answer.status_code != 304:
            content = calendar_files.written(entries, name=feed.name)
            answer = HttpResponse(content, content_type=f"{calendar_files.MEDIA_TYPE}; charset=utf-8")
        answer["ETag"], answer["Cache-Control"] = tag, "private, no-cache"
        return answer


routes = [("appointments", AppointmentViewSet), ("calendar-feeds", CalendarFeedViewSet)]
