from __future__ import annotations

from dataclasses import asdict
from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.filters import DaysFilterSet, day_filter, instants
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.filters import YesNoFilter
from opticshop.core.kept import A_KEY, AS_SAID
from opticshop.core.pagination import KeyCursorPagination
from opticshop.core.renderers import PdfRenderer, SvgRenderer
from opticshop.instruments.selectors import instrument_get_for
from opticshop.orders import causes
from opticshop.orders.selectors import order_get_for

from . import paper, selectors, services
from .board import board_of
from .labels_api import routes as label_routes
from .models import Bench, Job, JobState, StepKind
from .permissions import WorkshopPermission
from .serializers import (
    BenchAddIn,
    BenchChangeIn,
    BenchOut,
    BoardAsked,
    BoardOut,
    CausesOut,
    FrameArrivedIn,
    FrameBreakIn,
    JobClaimIn,
    JobInFullOut,
    JobOut,
    JobReasonIn,
    JobReleaseIn,
    JobResumeIn,
    JobsHandedOnOut,
    JobsHandOnIn,
    LensBreakIn,
    LensBrokenOut,
    LensesArrivedIn,
    LensReadIn,
    LensReadOut,
    RemakeIn,
    StepNoteIn,
    StepSkipIn,
    StepUndoIn,
)
from .traces.api import routes as trace_routes

VIEW, WORK = WorkshopPermission.VIEW, WorkshopPermission.WORK
#: ``?ordering=`` of the list -> columns; each ends in the key, so that a cursor never skips or repeats a row.
ORDERINGS = {"newest": ("-id",), "promised_on": ("promised_on", "id")}
_KIND = extend_schema(parameters=[OpenApiParameter("kind", str, OpenApiParameter.PATH, enum=StepKind.values)])


class BoardPagination(KeyCursorPagination):
    def get_ordering(self, request: Request, queryset: Any, view: Any) -> Any:
        return ORDERINGS.get(request.query_params.get("ordering", "newest"), ORDERINGS["newest"])


class JobFilter(DaysFilterSet):
    state = django_filters.MultipleChoiceFilter(distinct=False, choices=JobState.choices, label="One state or several")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    order = django_filters.UUIDFilter(field_name="order_id")
    number = django_filters.CharFilter(field_name="number")
    tray = django_filters.CharFilter(method="by_tray", label="The code of the tray label, as scanned")
    holder = django_filters.UUIDFilter(field_name="holder_id")
    bench = django_filters.UUIDFilter(field_name="bench_id")
    promised_from = django_filters.DateFilter(field_name="promised_on", lookup_expr="gte")
    promised_to = django_filters.DateFilter(field_name="promised_on", lookup_expr="lte")
    opened_from = day_filter("Opened on this day of its branch or later")
    opened_to = day_filter("Opened on this day of its branch or earlier")
    finished_from = day_filter("Packed on this day of its branch or later")
    finished_to = day_filter("Packed on this day of its branch or earlier")
    is_remake = YesNoFilter(method="by_remake", label="Whether it is a further attempt at its order")
    undone = django_filters.ChoiceFilter(
        choices=StepKind.choices, method="by_undone", label="Jobs in which this step is still to be done"
    )
    ordering = django_filters.ChoiceFilter(
        choices=[("newest", "Newest first"), ("promised_on", "Promised first: the board")], method="keep"
    )

    spans = {"opened": instants("created_at"), "finished": instants("finished_at")}

    class Meta:
        model = Job
        fields: list[str] = []

    def by_remake(self, queryset: Any, name: str, value: bool) -> Any:
        return queryset.filter(attempt__gt=1) if value else queryset.filter(attempt=1)

    def by_undone(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(steps__kind=value, steps__state__in=["pending", "started"])

    def by_tray(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(number__iexact=value.strip())


class JobViewSet(ResourceViewSet):
    """The bench: the jobs of orders, their steps in order, focimeter readings, lost lenses, ticket and layout."""

    tag, noun = "Jobs", "job"
    prepared = True
    kept_queries = {"branch": A_KEY, "order": A_KEY, "holder": A_KEY, "state": AS_SAID, "ordering": AS_SAID}
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
        "board": VIEW,
        "by_tray": VIEW,
        "claim": WORK,
        "release": WORK,
        "hand_on": WORK,
        "undo": WORK,
        "break_frame": WORK,
        "frame_arrived": WORK,
        "causes": VIEW,
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
        "claim": JobClaimIn,
        "release": JobReleaseIn,
        "hand_on": JobsHandOnIn,
        "undo": StepUndoIn,
        "break_frame": FrameBreakIn,
        "frame_arrived": FrameArrivedIn,
    }
    outputs = {
        "list": JobOut,
        "verify": LensReadOut,
        "break_lens": LensBrokenOut,
        "break_frame": LensBrokenOut,
        "causes": CausesOut,
        "board": BoardOut,
        "hand_on": JobsHandedOnOut,
    }
    output = JobInFullOut
    statuses = {"verify": 201, "break_lens": 201, "break_frame": 201}
    idempotent = {"create": "optional", "verify": "optional", "break_lens": "optional", "break_frame": "optional"}
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
        "break_frame": "Write off a lost frame and reserve another",
        "frame_arrived": "The awaited frame is there",
        "causes": "Why pieces are lost and pairs made again: the codes",
        "board": "What is to be done at a branch now, by the step that is next and by promise",
        "by_tray": "Find the job whose tray label was scanned",
        "claim": "Take a job in hand",
        "release": "Put a job down",
        "hand_on": "Pass jobs on to another person or bench, all or none",
        "undo": "Take back the step you closed a moment ago",
        "ticket": "The bench ticket as PDF",
        "layout": "The layout drawing as SVG",
    }

    def get_queryset(self) -> QuerySet[Any]:
        jobs = super().get_queryset()
        if self.action == "list":
            return jobs.prefetch_related(None).prefetch_related("steps")  # who did them is told of one job only
        if self.request.method == "POST":  # the services read what they need, and the answer is read afterwards
            return selectors.bare(jobs)  # type: ignore[arg-type]
        return selectors.in_full(jobs)  # type: ignore[arg-type]

    def create(self, request: Request) -> Response:
        body = self.read_input()
        order, branch = order_get_for(self.actor, body.pop("order")), body.pop("branch", None)
        if branch is not None:
            body["branch"] = branch_get_for(self.actor, branch, permission=WORK)
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
        eye, key = body.pop("eye"), body.pop("instrument", None)
        reading = services.lens_verify(
            actor=self.actor,
            job=job,
            eye=eye,
            reading=services.Reading(**body),
            instrument=None if key is None else instrument_get_for(self.actor, key),
        )
        return self.answer(reading)

    @action(detail=True, methods=["post"], url_path="break-lens")
    def break_lens(self, request: Request, pk: str) -> Response:
        return self.answer(services.lens_break(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"], url_path="break-frame")
    def break_frame(self, request: Request, pk: str) -> Response:
        return self.answer(services.frame_break(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"], url_path="frame-arrived")
    def frame_arrived(self, request: Request, pk: str) -> Response:
        return self._job(services.frame_arrived(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def causes(self, request: Request) -> Response:
        return self.answer({"causes": [{**asdict(cause), "where": sorted(cause.where)} for cause in causes.TABLE]})

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

    @extend_schema(parameters=[BoardAsked])
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def board(self, request: Request) -> Response:
        asked = BoardAsked(data=request.query_params.dict())
        asked.is_valid(raise_exception=True)
        wanted = asked.validated_data
        branch = selectors.branch_of_board(self.actor, wanted.get("branch"))
        holder = self.actor.id if wanted["mine"] else wanted.get("holder")
        return self.answer(board_of(self.actor, branch, holder=holder, bench=wanted.get("bench")))

    @action(detail=False, methods=["get"], url_path=r"by-tray/(?P<code>[A-Za-z0-9-]{1,60})")
    def by_tray(self, request: Request, code: str) -> Response:
        return self.answer(selectors.job_by_tray(self.actor, code))

    @action(detail=True, methods=["post"])
    def claim(self, request: Request, pk: str) -> Response:
        return self._job(services.job_claim(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def release(self, request: Request, pk: str) -> Response:
        return self._job(services.job_release(actor=self.actor, job=self.get_object(), **self.read_input()))

    @action(detail=False, methods=["post"], url_path="hand-on")
    def hand_on(self, request: Request) -> Response:
        body = self.read_input()
        jobs = selectors.jobs_get_for(self.actor, body.pop("jobs"))
        passed = services.jobs_hand_on(actor=self.actor, jobs=jobs, **body)
        return self.answer({"jobs": selectors.jobs_get_for(self.actor, [job.id for job in passed])})

    @action(detail=True, methods=["post"])
    def undo(self, request: Request, pk: str) -> Response:
        job = self.get_object()
        services.step_undo(actor=self.actor, job=job, **self.read_input())
        return self._job(job)

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
        if kind not in StepKind.values:
            raise NotFound(f"There is no step {kind}.", field="kind", allowed=StepKind.values)
        service(actor=self.actor, job=job, kind=kind, **self.read_input())
        return self._job(job)

    def _job(self, job: Job, status: int = 200) -> Response:
        """The job as it stands now, read through the selector again."""
        fresh = selectors.job_get_for(self.actor, job.id, permission=self.permissions[self.action])
        return self.answer(fresh, status=status)


class BenchFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    is_active = YesNoFilter()

    class Meta:
        model = Bench
        fields: list[str] = []


class BenchViewSet(ResourceViewSet):
    """The benches of a branch's workshop."""

    tag, noun = "Jobs", "bench"
    selector = staticmethod(selectors.benches_visible_to)
    filterset_class = BenchFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": WorkshopPermission.SET_UP,
        "partial_update": WorkshopPermission.SET_UP,
    }
    inputs = {"create": BenchAddIn, "partial_update": BenchChangeIn}
    output = BenchOut
    summaries = {
        "list": "List benches",
        "retrieve": "Get one bench",
        "create": "Set up a bench",
        "partial_update": "Rename a bench or take it out of use",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=WorkshopPermission.SET_UP)
        return self.answer(services.bench_add(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        bench, changes = self.get_object(), self.read_input()
        return self.answer(
            services.bench_change(actor=self.actor, bench=bench, version=self.expected_version(), changes=changes)
        )


routes = [("jobs", JobViewSet), ("benches", BenchViewSet), *label_routes, *trace_routes]
