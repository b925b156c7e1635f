from __future__ import annotations

from typing import Any

import django_filters
from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import Lists, ResourceViewSet
from opticshop.core.csv_text import lines
from opticshop.core.parsers import BoundedJSONParser, BoundedMultiPartParser
from opticshop.core.renderers import SvgRenderer

from . import selectors, services
from .kinds import KINDS
from .models import ImportFile, ImportRow, Kind
from .permissions import ImportPermission
from .reading import check_size, most_bytes
from .serializers import (
    FieldsOut,
    FieldsQueryIn,
    ImportAmendIn,
    ImportFileOut,
    ImportFileWholeOut,
    ImportRowOut,
    ImportUploadIn,
    NoDetailsIn,
)

VIEW, RUN = ImportPermission.VIEW, ImportPermission.RUN
#: Columns put before those of the file in the list of failed rows; not put there twice when it comes back.
OUR_COLUMNS = ["import_row", "import_problems"]


class CsvRenderer(SvgRenderer):
    """Text goes out as it is, a problem as JSON."""

    media_type = "text/csv"
    format = "csv"


class ImportFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.ChoiceFilter(choices=Kind.choices)
    state = django_filters.ChoiceFilter(choices=ImportFile.State.choices)

    class Meta:
        model = ImportFile
        fields: list[str] = []


class ImportViewSet(ResourceViewSet):
    """Data taken over from CSV files: upload, look at the proposed columns, try, run, correct what failed."""

    tag, noun = "Imports", "import"
    buckets = {"errors": "exports"}
    selector = staticmethod(selectors.imports_visible_to)
    filterset_class = ImportFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "fields": VIEW,
        "errors": VIEW,
        "create": RUN,
        "partial_update": RUN,
        "dry_run": RUN,
        "run": RUN,
        "cancel": RUN,
    }
    inputs = {
        "create": ImportUploadIn,
        "partial_update": ImportAmendIn,
        "dry_run": NoDetailsIn,
        "run": NoDetailsIn,
        "cancel": NoDetailsIn,
    }
    outputs = {"list": ImportFileOut, "fields": FieldsOut}
    output = ImportFileWholeOut
    summaries = {
        "list": "List imports",
        "retrieve": "Get one import: how it is read, its columns and how far it is",
        "fields": "The fields that rows of a kind have, and the headings they are known by",
        "errors": "The failed rows with their reasons as CSV, to be corrected and uploaded again",
        "create": "Upload a CSV file (multipart/form-data); answers with the proposed columns and a preview",
        "partial_update": "Say which column means what, or how the file is read, before it runs",
        "dry_run": "Say what a run would do, row by row; nothing is done",
        "run": "Take the rows over, or run on after a stop; each row once",
        "cancel": "Call an import off, or stop one that runs",
    }

    def get_parsers(self) -> list[Any]:
        action_map = getattr(self, "action_map", None) or {}
        method = getattr(getattr(self, "request", None), "method", "") or ""
        uploads = action_map.get(method.lower(), getattr(self, "action", "")) == "create"
        return [BoundedMultiPartParser()] if uploads else [BoundedJSONParser()]

    def most_upload_bytes(self) -> int:
        return most_bytes()

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=RUN)
        upload = body.pop("file")
        check_size(upload.size)
        made = services.import_upload(
            actor=self.actor, branch=branch, content=upload.read(), file_name=upload.name, **body
        )
        return self._whole(made, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        file, version = self.get_object(), self.expected_version()
        services.import_amend(actor=self.actor, file=file, version=version, changes=self.read_input())
        return self._whole(file)

    @action(detail=True, methods=["post"], url_path="dry-run")
    def dry_run(self, request: Request, pk: str) -> Response:
        """Every row goes through the same services, and all of it is rolled back. A file of more than 500 rows is
        tried portion by portion in the background: ``tried`` says how far it is, ``try_due`` that there is more."""
        self.read_input()
        file = self.get_object()
        services.import_try(actor=self.actor, file=file)
        return self._whole(file)

    @action(detail=True, methods=["post"])
    def run(self, request: Request, pk: str) -> Response:
        """The rows are applied in the background, in their order; ``counts`` says how far it is."""
        self.read_input()
        file = self.get_object()
        services.import_run(actor=self.actor, file=file)
        return self._whole(file)

    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Before it runs an import is called off for good. One that runs is stopped: what was taken over stays."""
        self.read_input()
        file = self.get_object()
        services.import_cancel(actor=self.actor, file=file)
        return self._whole(file)

    @extend_schema(responses={(200, CsvRenderer.media_type): OpenApiTypes.STR})  # type: ignore[untyped-decorator]
    @action(
        detail=True,
        methods=["get"],
        url_path="errors.csv",
        renderer_classes=[CsvRenderer, JSONRenderer],
        pagination_class=None,
    )
    def errors(self, request: Request, pk: str) -> StreamingHttpResponse:
        """The columns of the file, after two of ours that an upload does not read. Guarded against spreadsheets."""
        file = self.get_object()
        again = len(OUR_COLUMNS) if file.headings[: len(OUR_COLUMNS)] == OUR_COLUMNS else 0
        rows = (
            [row.number, _in_words(row), *row.cells[again:]]
            for row in selectors.failed_rows(file).iterator(chunk_size=1000)
        )
        return StreamingHttpResponse(
            lines([*OUR_COLUMNS, *file.headings[again:]], rows),
            content_type="text/csv; charset=utf-8",
            headers={"Content-Disposition": 'attachment; filename="errors.csv"', "X-Content-Type-Options": "nosniff"},
        )

    @extend_schema(parameters=[FieldsQueryIn], filters=False)  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def fields(self, request: Request) -> Response:
        query = FieldsQueryIn(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        kind = KINDS[query.validated_data["kind"]]
        needed = {name for group in kind.needed for name in group}
        fields = [{"name": each.name, "needed": each.name in needed, "words": each.words} for each in kind.fields]
        return self.answer({"kind": query.validated_data["kind"], "fields": fields})

    def _whole(self, file: ImportFile, status: int | None = None) -> Response:
        """The file as it stands now, read through the selector again."""
        return self.answer(selectors.import_get_for(self.actor, file.id), status=status)


class ImportRowFilter(django_filters.FilterSet):
    file = django_filters.UUIDFilter(field_name="file_id")
    state = django_filters.ChoiceFilter(choices=ImportRow.State.choices)

    class Meta:
        model = ImportRow
        fields: list[str] = []


class ImportRowViewSet(Lists):
    """What became of each row of the files that ran."""

    tag, noun = "Imports", "import row"
    selector = staticmethod(selectors.rows_visible_to)
    filterset_class = ImportRowFilter
    permissions = {"list": VIEW}
    output = ImportRowOut
    summaries = {"list": "List rows of imports with what became of them"}


def _in_words(row: ImportRow) -> str:
    return "; ".join(
        f"{problem['column'] or problem['field'] or 'row'}: {problem['detail']}"
        + (f" (right: {problem['allowed']})" if problem["allowed"] else "")
        for problem in row.problems
    )


routes = [("imports", ImportViewSet), ("import-rows", ImportRowViewSet)]
