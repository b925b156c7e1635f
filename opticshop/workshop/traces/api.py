from __future__ import annotations

import uuid
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.renderers import PdfRenderer
from opticshop.tracing import NOT_CERTIFIED, beside_each_other, beside_file, beside_frame

from ..models import Job
from ..permissions import WorkshopPermission
from ..selectors import job_get_for
from . import edger, selectors, services
from .layout import bench_layout
from .models import FrameTrace
from .outlines import frame_sizes, trace_of
from .serializers import (
    ComparisonOut,
    FrameTraceInFullOut,
    FrameTraceOut,
    LayoutOut,
    TraceRecordIn,
    comparison,
    layout_answer,
)

VIEW, WORK = WorkshopPermission.VIEW, WorkshopPermission.WORK
_JOB = OpenApiParameter("job", OpenApiTypes.UUID, OpenApiParameter.PATH)
_UUID = "[0-9a-fA-F-]{36}"


class BytesRenderer(PdfRenderer):
    """Finished bytes, as they are."""

    media_type = "application/octet-stream"
    format = "bin"


class RecordsRenderer(BytesRenderer):
    """Finished lines of ASCII text, as they are."""

    media_type = "text/plain"
    format = "txt"


class _OfAJob(ApiViewSet):
    """What lies below the address of a job."""

    def job(self) -> Job:
        try:
            key = uuid.UUID(self.kwargs["job"])
        except ValueError as error:
            raise NotFound(f"There is no job {self.kwargs['job']} here.", field="job") from error
        return job_get_for(self.actor, key)


@extend_schema(parameters=[_JOB])
class FrameTraceViewSet(_OfAJob, ResourceViewSet):
    __doc__ = f"""Traces of the frame of a job: never changed; the latest is the one in use.

    {NOT_CERTIFIED}
    """

    tag, noun = "Traces", "trace"
    filter_backends = []
    permissions = {"list": VIEW, "retrieve": VIEW, "create": WORK, "compare": VIEW, "file": VIEW}
    inputs = {"create": TraceRecordIn}
    outputs = {"list": FrameTraceOut, "compare": ComparisonOut}
    output = FrameTraceInFullOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Traces taken for a job, newest first",
        "retrieve": "Get one trace with its points",
        "create": "Import a trace; a nonsense one is refused with line, label and reason, and nothing is kept",
        "compare": "Compare a trace with the frame's stated sizes, its own file, and right with left",
        "file": "The file as it came, byte for byte",
    }

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return FrameTrace.objects.none()
        return selectors.traces_visible_to(self.actor, self.job().id)

    def create(self, request: Request, job: str) -> Response:
        return self.answer(
            services.frame_trace_record(actor=self.actor, job=self.job(), **self.read_input()), status=201
        )

    @action(detail=True, methods=["get"])
    def compare(self, request: Request, job: str, pk: str) -> Response:
        row = self.get_object()
        trace = trace_of(row)
        differences = [*beside_frame(trace, frame_sizes(row.frame)), *beside_file(trace)]
        body = comparison(row, differences, beside_each_other(trace))
        return Response(ComparisonOut(body).data)

    @extend_schema(responses={(200, BytesRenderer.media_type): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[BytesRenderer])
    def file(self, request: Request, job: str, pk: str) -> Response:
        row = self.get_object()
        name = f'attachment; filename="trace-{row.id}.{"txt" if row.format == "records" else row.format}"'
        headers = {"Content-Disposition": name, "X-Content-Type-Options": "nosniff"}
        return Response(bytes(row.content), headers=headers)


class LayoutDataViewSet(_OfAJob):
    """The layout of a job as data: fitting point, cut-out, edge thickness, block and bevel for the outline in use."""

    tag, noun = "Traces", "layout data"
    permissions = {"list": VIEW}
    output = LayoutOut
    pagination_class = None
    filter_backends = []
    summaries = {"list": "The layout of a job as data"}

    @extend_schema(operation_id="job_layout_data", parameters=[_JOB])
    def list(self, request: Request, job: str) -> Response:
        return Response(LayoutOut(layout_answer(bench_layout(self.job()))).data)


class EdgerRecordsViewSet(_OfAJob):
    __doc__ = f"""A job as records for an edger, with the traced outline where there is one and without a name.

    {NOT_CERTIFIED}
    """

    tag, noun = "Traces", "edger records"
    permissions = {"list": VIEW}
    output = None
    pagination_class = None
    filter_backends = []
    renderer_classes = [RecordsRenderer]
    summaries = {"list": "A job as records for an edger"}

    @extend_schema(
        operation_id="job_edger_records",
        parameters=[_JOB],
        responses={(200, RecordsRenderer.media_type): OpenApiTypes.STR},
    )
    def list(self, request: Request, job: str) -> Response:
        found = self.job()
        headers = {
            "Content-Disposition": f'attachment; filename="{found.number}.txt"',
            "Cache-Control": "no-store",
            "X-Not-Certified": NOT_CERTIFIED,
        }
        return Response(edger.records_for(found), headers=headers)


routes = [
    (rf"jobs/(?P<job>{_UUID})/traces", FrameTraceViewSet),
    (rf"jobs/(?P<job>{_UUID})/layout-data", LayoutDataViewSet),
    (rf"jobs/(?P<job>{_UUID})/edger-records", EdgerRecordsViewSet),
]
