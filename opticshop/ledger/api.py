from __future__ import annotations

from base64 import b64encode
from collections import defaultdict
from decimal import Decimal
from itertools import chain
from typing import Any
from uuid import UUID

import django_filters
from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.pagination import KeyCursorPagination
from opticshop.core.renderers import AnyFileRenderer
from opticshop.pluginhost.services.supplying import ledger_exporters

from . import selectors, services
from .models import Account, Entry, JournalExport, Period
from .permissions import LedgerPermission
from .serializers import (
    AccountOut,
    EntryOut,
    ExporterOut,
    ExportersQueryIn,
    JournalExportIn,
    JournalExportOut,
    PeriodCloseIn,
    PeriodOut,
    PeriodReopenIn,
    TrialBalanceOut,
    TrialBalanceQueryIn,
)

VIEW, EXPORT, CLOSE = LedgerPermission.VIEW, LedgerPermission.EXPORT, LedgerPermission.CLOSE


class ByCode(KeyCursorPagination):
    ordering = "code"


class AccountFilter(django_filters.FilterSet):
    kind = django_filters.ChoiceFilter(choices=Account.Kind.choices)
    role = django_filters.CharFilter()

    class Meta:
        model = Account
        fields: list[str] = []


class AccountViewSet(ResourceViewSet):
    """The chart of accounts, one for the group."""

    tag, noun = "Bookkeeping", "ledger account"
    selector = staticmethod(selectors.accounts_for)
    filterset_class = AccountFilter
    pagination_class = ByCode
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = AccountOut
    summaries = {"list": "The chart of accounts, by code", "retrieve": "Get one account"}


class EntryFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    account = django_filters.CharFilter(method="by_account", label="Code of an account that a line is booked to")
    party = django_filters.CharFilter(method="by_party", label="Whose money a line is, for instance customers/<id>")
    booked_from = django_filters.DateFilter(field_name="booked_on", lookup_expr="gte")
    booked_to = django_filters.DateFilter(field_name="booked_on", lookup_expr="lte")
    document = django_filters.CharFilter(label="What caused it, for instance payments/<id>")
    number = django_filters.CharFilter()

    class Meta:
        model = Entry
        fields: list[str] = []

    def by_account(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.entries_booked_to(queryset, account__code=value)

    def by_party(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.entries_booked_to(queryset, party=value)


class EntryViewSet(ResourceViewSet):
    """The journal. Entries are made by what happens to money, never typed in, and never changed."""

    tag, noun = "Bookkeeping", "journal entry"
    selector = staticmethod(selectors.entries_visible_to)
    filterset_class = EntryFilter
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = EntryOut
    summaries = {"list": "Find journal entries, newest first", "retrieve": "Get one journal entry with its lines"}


class TrialBalanceViewSet(ApiViewSet):
    """What was booked to each account, of a branch or of all whose books you may see."""

    tag, noun = "Bookkeeping", "trial balance"
    permissions = {"list": VIEW}
    output = TrialBalanceOut
    pagination_class = None
    summaries = {"list": "The trial balance of a stretch of days"}

    @extend_schema(parameters=[TrialBalanceQueryIn], filters=False, responses=TrialBalanceOut(many=False))  # type: ignore[untyped-decorator]
    def list(self, request: Request) -> Response:
        """Rows by currency and code. Balances are debit less credit; a currency is never added to another."""
        asked = _query(TrialBalanceQueryIn, request)
        first, last = asked.get("booked_from"), asked.get("booked_to")
        branch = _branch_in(self, asked, VIEW)
        rows = selectors.trial_balance(
            self.actor, branch=branch, first=first, last=last, by_tax_code=asked["by_tax_code"]
        )
        sums: dict[str, list[Decimal]] = defaultdict(lambda: [Decimal("0.00"), Decimal("0.00")])
        for row in rows:
            sums[row.currency][0] += row.debit
            sums[row.currency][1] += row.credit
        return self.answer(
            {
                "branch": branch.id if branch else None,
                "booked_from": first,
                "booked_to": last,
                "rows": rows,
                "sums": [{"currency": key, "debit": debit, "credit": credit} for key, (debit, credit) in sums.items()],
            }
        )


class PeriodFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    is_closed = YesNoFilter(field_name="is_closed")

    class Meta:
        model = Period
        fields: list[str] = []


class PeriodViewSet(ResourceViewSet):
    """Months that were closed. A month that is not here is open."""

    tag, noun = "Bookkeeping", "accounting period"
    selector = staticmethod(selectors.periods_visible_to)
    filterset_class = PeriodFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": CLOSE, "reopen": CLOSE}
    inputs = {"create": PeriodCloseIn, "reopen": PeriodReopenIn}
    output = PeriodOut
    summaries = {
        "list": "Months that are or were closed",
        "retrieve": "Get one month",
        "create": "Close a month: nothing can be booked into it any more",
        "reopen": "Open a closed month again, with the reason",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = _branch_in(self, body, CLOSE)
        return self.answer(services.period_close(actor=self.actor, month=body["month"], branch=branch), status=201)

    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: str) -> Response:
        return self.answer(services.period_reopen(actor=self.actor, period=self.get_object(), **self.read_input()))


class JournalExportFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    exporter = django_filters.CharFilter()

    class Meta:
        model = JournalExport
        fields: list[str] = []


class JournalExportViewSet(ResourceViewSet):
    """Batches of the journal for bookkeeping. Each entry is in one batch of an exporter and scope, in order."""

    tag, noun = "Bookkeeping", "journal export"
    buckets = {"create": "exports", "file": "exports"}
    selector = staticmethod(selectors.exports_visible_to)
    filterset_class = JournalExportFilter
    permissions = {"list": EXPORT, "retrieve": EXPORT, "create": EXPORT, "file": EXPORT, "exporters": EXPORT}
    inputs = {"create": JournalExportIn}
    outputs = {"exporters": ExporterOut}
    output = JournalExportOut
    idempotent = {"create": "optional"}
    summaries = {
        "list": "Find batches, newest first",
        "retrieve": "Get one batch: counts, sums, hash",
        "create": "Put everything new into a batch",
        "file": "The file of a batch, the same bytes each time",
        "exporters": "The formats there are",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = _branch_in(self, body, EXPORT)
        export = services.export_make(actor=self.actor, exporter=body["exporter"], branch=branch)
        return self.answer(export, status=201)

    @extend_schema(responses={(200, AnyFileRenderer.media_type): OpenApiTypes.BINARY})  # type: ignore[untyped-decorator]
    @action(detail=True, methods=["get"], renderer_classes=[AnyFileRenderer], filterset_class=None)
    def file(self, request: Request, pk: str) -> StreamingHttpResponse:
        """Sent as it is made. `Repr-Digest` (RFC 9530) is the hash of the batch: compare what you received with it."""
        export = self.get_object()
        pieces = services.export_pieces(export)
        beginning = next(pieces, b"")  # so that what fails at once is answered as a problem
        return StreamingHttpResponse(
            chain([beginning], pieces),
            content_type=export.media_type,
            headers={
                "Content-Disposition": f'attachment; filename="{export.file_name}"',
                "Cache-Control": "no-store",
                "ETag": f'"{export.sha256}"',
                "Repr-Digest": f"sha-256=:{b64encode(bytes.fromhex(export.sha256)).decode()}:",
            },
        )

    @extend_schema(parameters=[ExportersQueryIn], filters=False, responses=ExporterOut(many=True))  # type: ignore[untyped-decorator]
    @action(detail=False, methods=["get"], pagination_class=None, filterset_class=None)
    def exporters(self, request: Request) -> Response:
        branch = _branch_in(self, _query(ExportersQueryIn, request), EXPORT)
        return Response(ExporterOut(ledger_exporters(branch=branch), many=True).data)


def _query(shape: type[Any], request: Request) -> dict[str, Any]:
    query = shape(data=request.query_params.dict())
    query.is_valid(raise_exception=True)
    found: dict[str, Any] = query.validated_data
    return found


def _branch_in(view: ApiViewSet, body: dict[str, Any], permission: LedgerPermission) -> Branch | None:
    """The branch that the request names, if it names one."""
    wanted: UUID | None = body.get("branch")
    return None if wanted is None else branch_get_for(view.actor, wanted, permission=permission)


routes = [
    ("ledger-accounts", AccountViewSet),
    ("journal-entries", EntryViewSet),
    ("trial-balance", TrialBalanceViewSet),
    ("accounting-periods", PeriodViewSet),
    ("journal-exports", JournalExportViewSet),
]
