"""Endpoints of reports that are made as jobs."""

from __future__ import annotations

import django_filters
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.renderers import AnyFileRenderer

from . import selectors, services
from .asking import asked_for
from .files import CONTENT_TYPES, file_name, headers_of
from .models import ReportRun
from .permissions import ReportPermission
from .serializers_runs import ReportRunIn, ReportRunOut

VIEW, RUN = ReportPermission.VIEW, ReportPermission.RUN


class ReportRunFilter(django_filters.FilterSet):
    report = django_filters.CharFilter()
    state = django_filters.ChoiceFilter(choices=ReportRun.State.choices)

    class Meta:
        model = ReportRun
        fields: list[str] = []


class ReportRunViewSet(ResourceViewSet):
    """Reports made in the background. A run is seen by who asked for it only; its file stays for seven days."""

    tag, noun = "Reports", "report run"
    buckets = {"create": "exports", "file": "exports"}
    selector = staticmethod(selectors.runs_visible_to)
    filterset_class = ReportRunFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": RUN, "file": VIEW}
    inputs = {"create": ReportRunIn}
    output = ReportRunOut
    statuses = {"create": 202}
    summaries = {
        "list": "List your report runs",
        "retrieve": "Get one run and how far it is",
        "create": "Ask for a report as a job",
        "file": "The file of a run that is done",
    }

    def create(self, request: Request) -> Response:
        """Answers at once; ``progress`` and ``state`` of the run say how far it is."""
        body = self.read_input()
        kind, compare = body.pop("format"), body.get("compare")
        asked = asked_for(self.actor, body.pop("report"), **body)
        run = services.run_ask(actor=self.actor, asked=asked, compare=compare, kind=kind)
        made = self.answer(selectors.run_get_for(self.actor, run.id))
        made["Location"] = f"{request.path}{run.id}/"
        return made

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["get"], renderer_classes=[AnyFileRenderer, JSONRenderer])
    def file(self, request: Request, pk: str) -> HttpResponse:
        """For who asked, while they may see the report of all its branches."""
        run = self.get_object()
        content = services.run_file(actor=self.actor, run=run)
        name = file_name(run.report, run.since, run.until, run.format)
        return HttpResponse(content, content_type=CONTENT_TYPES[run.format], headers=headers_of(name))


routes = [("report-runs", ReportRunViewSet)]
