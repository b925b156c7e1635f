from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core import clock
from opticshop.core.api import ApiViewSet
from opticshop.core.filters import KnownFilters
from opticshop.core.renderers import AnyFileRenderer

from . import telling
from .api_charts import ReportFiles
from .api_runs import routes as run_routes
from .api_schedules import routes as schedule_routes
from .asking import Asked, PeriodNotUsable, asked_for, reports_for
from .comparing import found_for
from .files import CONTENT_TYPES, csv_of, file_name, headers_of
from .models import Format
from .permissions import ReportPermission
from .registry import TOTAL
from .serializers import USUAL_DAYS, ReportAnswerOut, ReportAsked, ReportOut

VIEW = ReportPermission.VIEW


class CsvRenderer(AnyFileRenderer):
    media_type = "text/csv"
    format = "csv"


class ReportViewSet(ReportFiles, ApiViewSet):
    """Figures that head office steers by. A branch's people see their branch; each figure comes with its definition."""

    tag, noun, lists_many = "Reports", "report", True
    lookup_value_regex = "[a-z0-9-]{1,60}"
    pagination_class = None
    permissions = {"list": VIEW, "retrieve": VIEW, "rows": VIEW, "svg": VIEW, "png": VIEW, "xlsx": VIEW}
    outputs = {"list": ReportOut, "retrieve": ReportAnswerOut, "rows": ReportAnswerOut}
    summaries = {
        "list": "The reports you may ask for, each figure defined",
        "retrieve": "A report over a period, by branch or another grouping, beside an earlier period",
        "rows": "The same as CSV",
        "svg": "Its chart as SVG",
        "png": "Its chart as PNG",
        "xlsx": "Its rows as a workbook, with the definitions",
    }

    @extend_schema(filters=False)
    def list(self, request: Request) -> Response:
        KnownFilters().filter_queryset(request, None, self)
        return Response(ReportOut(reports_for(self.actor), many=True).data)

    @extend_schema(parameters=[ReportAsked])
    def retrieve(self, request: Request, pk: str) -> Response:
        asked = self.asked(request, pk)
        return Response(ReportAnswerOut(telling.as_body(asked, found_for(asked))).data)

    @extend_schema(parameters=[ReportAsked], responses={(200, CsvRenderer.media_type): OpenApiTypes.STR})
    @action(detail=True, methods=["get"], url_path="rows.csv", renderer_classes=[CsvRenderer, JSONRenderer])
    def rows(self, request: Request, pk: str) -> StreamingHttpResponse:
        asked = self.asked(request, pk)
        name = file_name(pk, asked.scope.since, asked.scope.until, "csv")
        return StreamingHttpResponse(
            csv_of(asked),
            content_type=CONTENT_TYPES[Format.CSV],
            headers=headers_of(name),
        )

    def asked(self, request: Request, key: str) -> Asked:
        query = ReportAsked(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        wanted: dict[str, Any] = query.validated_data
        until = wanted.get("to") or clock.today(settings.TIME_ZONE)
        try:
            return asked_for(
                self.actor,
                key,
                since=wanted.get("from") or until - dt.timedelta(days=USUAL_DAYS - 1),
                until=until,
                by=wanted.get("by", TOTAL),
                branches=[wanted["branch"]] if "branch" in wanted else None,
                compare=wanted.get("compare"),
            )
        except PeriodNotUsable as refused:
            refused.field = "to"  # as it is called in the query
            raise


routes = [("reports", ReportViewSet), *run_routes, *schedule_routes]
