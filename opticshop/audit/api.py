from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request

from opticshop.core.api import ResourceViewSet
from opticshop.core.csv_text import lines
from opticshop.core.pagination import KeyCursorPagination

from . import selectors, services
from .models import AuditEntry, AuditRead
from .permissions import AuditPermission
from .serializers import AuditEntryOut, AuditReadOut, AuditSealOut

_COLUMNS = (
    "id",
    "at",
    "actor_id",
    "actor_label",
    "actor_kind",
    "via",
    "address",
    "request_id",
    "method",
    "route",
    "reason",
)


class CsvRenderer(BaseRenderer):
    """Only for choosing the type: the answer is streamed, and a problem is JSON."""

    media_type = "text/csv"
    format = "csv"

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        return JSONRenderer().render(data)


class BySealNumber(KeyCursorPagination):
    ordering = "-number"


class _TracedFilter(django_filters.FilterSet):
    actor = django_filters.UUIDFilter(field_name="actor_id")
    at_from = django_filters.IsoDateTimeFilter(field_name="at", lookup_expr="gte", label="At or after this moment")
    at_to = django_filters.IsoDateTimeFilter(field_name="at", lookup_expr="lt", label="Before this moment")
    request_id = django_filters.CharFilter(label="As answered in X-Request-ID")
    address = django_filters.CharFilter(method="by_address", label="Address of the caller, IPv4 or IPv6")

    def by_address(self, queryset: Any, name: str, value: str) -> Any:
        found = selectors.address_in(value)
        return queryset.filter(address=found) if found else queryset.none()


class AuditEntryFilter(_TracedFilter):
    customer = django_filters.UUIDFilter(field_name="customer_id", label="Whom it is about")
    branch = django_filters.UUIDFilter(field_name="branch_id")
    table = django_filters.CharFilter(field_name="table_name")
    row = django_filters.CharFilter(field_name="row_id", label="Key of the row; ask with its table")
    action = django_filters.ChoiceFilter(choices=AuditEntry.Action.choices)

    class Meta:
        model = AuditEntry
        fields: list[str] = []


class AuditReadFilter(_TracedFilter):
    customer = django_filters.UUIDFilter(method="by_customer", label="Whose records were shown")
    table = django_filters.CharFilter(field_name="kind")

    class Meta:
        model = AuditRead
        fields: list[str] = []

    def by_customer(self, queryset: Any, name: str, value: Any) -> Any:
        return selectors.reads_about(queryset, value)


def _csv_action(url_path: str) -> Callable[[Callable[..., Any]], Any]:
    """An action that streams what the filters leave, as a file of that name."""
    csv, shape = [CsvRenderer, JSONRenderer], {(200, CsvRenderer.media_type): OpenApiTypes.STR}
    routed = action(detail=False, methods=["get"], url_path=url_path, renderer_classes=csv, pagination_class=None)
    return lambda method: extend_schema(responses=shape)(routed(method))


class _TrailViewSet(ResourceViewSet):
    tag = "Audit trail"
    buckets = {"file": "exports"}
    lookup_value_regex = "[0-9]{1,18}"
    file_columns: tuple[str, ...] = ()

    def _row_of(self, row: Any) -> list[Any]:
        raise NotImplementedError

    def _streamed(self, name: str) -> StreamingHttpResponse:
        """All that the filters leave, newest first, read by key in strides."""
        found = self.filter_queryset(self.get_queryset())
        services.note(action=AuditEntry.Action.EXPORT, table=found.model._meta.db_table)
        return StreamingHttpResponse(
            lines([*_COLUMNS, *self.file_columns], (self._row_of(row) for row in _strides(found))),
            content_type="text/csv; charset=utf-8",
            headers={
                "Content-Disposition": f'attachment; filename="{name}"',
                "X-Content-Type-Options": "nosniff",
                "Cache-Control": "no-store",
            },
        )


class AuditEntryViewSet(_TrailViewSet):
    """What was done: every change of a row, and what else was written down. Nobody can change it."""

    noun = "audit entry"
    selector = staticmethod(selectors.entries_visible_to)
    filterset_class = AuditEntryFilter
    permissions = {"list": AuditPermission.VIEW, "retrieve": AuditPermission.VIEW, "file": AuditPermission.VIEW}
    output = AuditEntryOut
    summaries = {
        "list": "Find what was done, newest first",
        "retrieve": "Get one entry",
        "file": "The entries found, as CSV",
    }
    file_columns = ("action", "table", "row", "customer", "branch", "before", "after")

    @_csv_action("entries.csv")
    def file(self, request: Request) -> StreamingHttpResponse:
        return self._streamed("entries.csv")

    def _row_of(self, row: AuditEntry) -> list[Any]:
        found = [row.action, row.table_name, row.row_id, _text(row.customer_id), _text(row.branch_id)]
        return [*_traced(row), *found, _json(row.before), _json(row.after)]


class AuditReadViewSet(_TrailViewSet):
    """Who was shown what: every answer with records of people, with whose they were."""

    noun = "audit read"
    selector = staticmethod(selectors.reads_visible_to)
    filterset_class = AuditReadFilter
    permissions = {"list": AuditPermission.VIEW, "retrieve": AuditPermission.VIEW, "file": AuditPermission.VIEW}
    output = AuditReadOut
    summaries = {
        "list": "Find who opened which records, newest first",
        "retrieve": "Get one read",
        "file": "The reads found, as CSV",
    }
    file_columns = ("status", "table", "rows", "customers")

    @_csv_action("reads.csv")
    def file(self, request: Request) -> StreamingHttpResponse:
        return self._streamed("reads.csv")

    def _row_of(self, row: AuditRead) -> list[Any]:
        people = " ".join(str(each.customer_id) for each in row.subjects.all())
        return [*_traced(row), row.status, row.kind, " ".join(row.ids), people]


class AuditSealViewSet(ResourceViewSet):
    """The chain: keep the newest number and hash outside of this service, and a cut-off end is found too."""

    tag, noun = "Audit trail", "audit seal"
    lookup_value_regex = "[0-9]{1,18}"
    selector = staticmethod(selectors.seals_visible_to)
    filter_backends: list[Any] = []
    pagination_class = BySealNumber
    permissions = {"list": AuditPermission.VIEW, "retrieve": AuditPermission.VIEW}
    output = AuditSealOut
    summaries = {"list": "The seals, newest first", "retrieve": "Get one seal"}


def _strides(found: QuerySet[Any], size: int = 500) -> Iterator[Any]:
    ordered = found.order_by("-id")
    stride = list(ordered[:size])
    while stride:
        yield from stride
        stride = list(ordered.filter(id__lt=stride[-1].id)[:size])


def _traced(row: AuditEntry | AuditRead) -> list[Any]:
    values = [getattr(row, name) for name in _COLUMNS]
    return [value if isinstance(value, int) else _text(value) for value in values]


def _text(value: Any) -> str:
    return "" if value is None else value.isoformat() if hasattr(value, "isoformat") else str(value)


def _json(value: Any) -> str:
    return "" if value is None else json.dumps(value, ensure_ascii=False, sort_keys=True)


routes: list[tuple[str, Any]] = [
    ("audit/entries", AuditEntryViewSet),
    ("audit/reads", AuditReadViewSet),
    ("audit/seals", AuditSealViewSet),
]
