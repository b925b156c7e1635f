"""A report as a chart or a workbook, at once; what takes long is asked for as a run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.http import FileResponse, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from opticshop.core.renderers import AnyFileRenderer, SvgRenderer

from .asking import Asked
from .files import CONTENT_TYPES, file_name, headers_of, refuse_format, workbook_of, written
from .models import Format
from .serializers import ReportAsked


class PngRenderer(AnyFileRenderer):
    media_type = "image/png"
    format = "png"


class XlsxRenderer(AnyFileRenderer):
    media_type = CONTENT_TYPES[Format.XLSX]
    format = "xlsx"


def _documented(media_type: str, kind: OpenApiTypes) -> Any:
    return extend_schema(parameters=[ReportAsked], responses={(200, media_type): kind})


class ReportFiles:
    """The actions ``svg``, ``png`` and ``xlsx`` for the view set of reports, which says what was ``asked``."""

    asked: Callable[[Request, str], Asked]

    @_documented("image/svg+xml", OpenApiTypes.STR)
    @action(detail=True, methods=["get"], url_path="chart.svg", renderer_classes=[SvgRenderer, JSONRenderer])
    def svg(self, request: Request, pk: str) -> HttpResponse:
        return self._file(request, pk, Format.SVG)

    @_documented("image/png", OpenApiTypes.BINARY)
    @action(detail=True, methods=["get"], url_path="chart.png", renderer_classes=[PngRenderer, JSONRenderer])
    def png(self, request: Request, pk: str) -> HttpResponse:
        return self._file(request, pk, Format.PNG)

    @_documented(CONTENT_TYPES[Format.XLSX], OpenApiTypes.BINARY)
    @action(detail=True, methods=["get"], url_path="rows.xlsx", renderer_classes=[XlsxRenderer, JSONRenderer])
    def xlsx(self, request: Request, pk: str) -> FileResponse:
        """Sent from the disk: it is whole before its first byte leaves, and its length is said."""
        asked = self.asked(request, pk)
        name = file_name(pk, asked.scope.since, asked.scope.until, Format.XLSX)
        return FileResponse(workbook_of(asked), content_type=CONTENT_TYPES[Format.XLSX], headers=headers_of(name))

    def _file(self, request: Request, key: str, kind: Format) -> HttpResponse:
        asked = self.asked(request, key)
        refuse_format(asked.report, kind)
        content, _ = written(asked, kind)
        name = file_name(key, asked.scope.since, asked.scope.until, kind)
        return HttpResponse(content, content_type=CONTENT_TYPES[kind], headers=headers_of(name, is_saved=False))
