from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.pagination import KeyCursorPagination
from opticshop.core.renderers import PdfRenderer, SvgRenderer
from opticshop.orders.selectors import order_get_for

from . import paper, selectors, services
from .labels_api import routes as label_routes
from .models import Job, JobState, StepKind
from .permissions import WorkshopPermission
from .serializers import (
    JobInFullOut,
    JobOut,
    JobReasonIn,
    JobResumeIn,
    LensBreakIn,
    LensBrokenOut,
    LensesArrivedIn,
    LensReadIn,
    LensReadOut,
    RemakeIn,
    StepNoteIn,
    StepSkipIn,
)

VIEW, WORK = WorkshopPermission.VIEW, WorkshopPermission.WORK
#: ``?ordering=`` of the list -> columns; each ends in the key, so that a cursor never skips or repeats a row.
ORDERINGS = {"newest": ("-id",), "promised_on": ("promised_on", "id")}
_KIND = extend_schema(parameters=[OpenApiParameter("kind", str, OpenApiParameter.PATH, enum=StepKind.values)])


class BoardPagination(KeyCursorPagination):
    def get_ordering(self, request: Request, queryset: Any, view: Any) -> Any:
        return ORDERINGS.get(request.query_params.get("ordering", "newest"), ORDERINGS["newest"])


class JobFilter(django_filters.FilterSet):
    state = django_filters.MultipleChoiceFilter(choices=JobState.choices, label="One state or several")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    number = django_filters.CharFilter(field_name="number")
    promised_from = django_filters.DateFilter(field_name="promised_on", lookup_expr="gte")
    promised_to = django_filters.DateFilter(field_name="promised_on", lookup_expr="lte")
    undone = django_filters.ChoiceFilter(
        choices=StepKind.choices, method="by_undone", label="Jobs in which this step is still to be done"
    )
    ordering = django_filters.ChoiceFilter(
        choices=[("newest", "Newest first"), ("promised_on", "Promised first: the board")], method="keep"
    )

    class Meta:
        model = Job
        fields: list[str] = []

    def by_undone(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(steps__kind=value, steps__state__in=["pending", "started"])

    def keep(self, queryset: Any, name: str, value: str) -> Any:
        return queryset


class JobViewSet(ResourceViewSet):
    """The bench: the jobs of orders, their steps in order, focimeter readings, lost lenses, ticket and layout."""

    tag, noun = "Jobs", "job"
    selector = staticmethod(selectors.jobs_visible_to)
    filterset_class = JobFilter
    pagination_class = BoardPagination
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "ticket": VIEW,
        "layout": VIEW,
        "create": WORK,
        "start": WORK,
        "finish": WORK,
        "skip": WORK,
        "verify": WORK,
        "break_lens": WORK,
        "lenses_arrived": WORK,
        "stop": WORK,
        "resume": WORK,
        "cancel": WORK,
    }
    inputs = {
        "create": RemakeIn,
        "start": StepNoteIn,
        "finish": StepNoteIn,
        "skip": StepSkipIn,
        "verify": LensReadIn,
        "break_lens": LensBreakIn,
        "lenses_arrived": LensesArrivedIn,
        "stop": JobReasonIn,
        "resume": JobResumeIn,
        "cancel": JobReasonIn,
    }
    outputs = {"list": JobOut, "verify": LensReadOut, "break_lens": LensBrokenOut}
    output = JobInFullOut
    statuses = {"verify": 201, "break_lens": 201}
    idempotent = {"create": "optional", "verify": "optional", "break_lens": "optional"}
    summaries = {
        "list": "Find jobs; the board with ?ordering=promised_on",
        "retrieve": "Get one job with all the bench needs",
        "create": "Open a remake of an order whose former job is finished or cancelled",
        "start": "Start the step that is next",
        "finish": "Finish a started step",
        "skip": "Leave a step out, with the reason",
        "verify": "Read an uncut lens on the focimeter; the answer is the verdict",
        "break_lens": "Write off a lost lens and reserve another",
        "lenses_arrived": "Awaited lenses are there",
        "stop": "Take a job off the bench, with the reason",
        "resume": "Put a stopped job back on the bench",
        "cancel": "Give a job up",
        "ticket": "The bench ticket as PDF",
        "layout": "The layout drawing as SVG",
    }

    def get_queryset(self) -> QuerySet[Any]:
        jobs = super().get_queryset()
        return jobs if self.action == "list" else selectors.in_full(jobs)  # type: ignore[arg-type]

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order = order_get_for(self.actor, body.pop("order"))
        return self._job(services.job_open(actor=self.actor, order=order, **body), status=201)

    @_KIND
    @action(detail=True, methods=["post"], url_path="steps/(?P<kind>[a-z_]+)/start")
    def start(self, request: Request, pk: str, kind: str) -> Response:
        return self._step(services.step_start, kind)

    @_KIND
    @action(detail=True, methods=["post"], url_path="steps/(?P<kind>[a-z_]+)/finish")
    def finish(self, request: Request, pk: str, kind: str) -> Response:
        return self._step(services.step_finish, kind)

    @_KIND
    @action(detail=True, methods=["post"], url_path="steps/(?P<kind>[a-z_]+)/skip")
    def skip(self, request: Request, pk: str, kind: str) -> Response:
        return self._step(services.step_skip, kind)

    @action(detail=True, methods=["post"])
    def verify(self, request: Request, pk: str) -> Response:
        job, body = self.get_object(), self.read_input()
        eye = body.pop("eye")
        reading = services.lens_verify(actor=self.actor, job=job, eye=eye, reading=services.Reading(**body))
        return self.answer(reading)

    @action(detail=True, methods=["post"], url_path="break-lens")
    def break_lens(self, request: Request, pk: str) -> Response:
        return self.answer(services.lens_break(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"], url_path="lenses-arrived")
    def lenses_arrived(self, request: Request, pk: str) -> Response:
        return self._job(services.lenses_arrived(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def stop(self, request: Request, pk: str) -> Response:
        return self._job(services.job_stop(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def resume(self, request: Request, pk: str) -> Response:
        return self._job(services.job_resume(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        return self._job(services.job_cancel(actor=self.actor, job=self.get_object(), **self.read_input()))

    @extend_schema(responses={(200, PdfRenderer.media_type): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[PdfRenderer])
    def ticket(self, request: Request, pk: str) -> Response:
        job = self.get_object()
        name = f'inline; filename="{job.number}.pdf"'
        return Response(paper.ticket(job), headers={"Content-Disposition": name, "Cache-Control": "no-store"})

    @extend_schema(responses={(200, SvgRenderer.media_type): OpenApiTypes.STR})
    @action(detail=True, methods=["get"], renderer_classes=[SvgRenderer])
    def layout(self, request: Request, pk: str) -> Response:
        return Response(paper.layout(self.get_object()))

    def _step(self, service: Any, kind: str) -> Response:
        job = self.get_object()
        service(actor=self.actor, job=job, kind=kind, **self.read_input())
        return self._job(job)

    def _job(self, job: Job, status: int = 200) -> Response:
        """The job as it stands now, read through the selector again."""
        return self.answer(selectors.job_get_for(self.actor, job.id), status=status)


routes = [("jobs", JobViewSet), *label_routes]
