"""Entries, months and batches."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q, QuerySet

from opticshop.core.actor import ALL, Actor
from opticshop.core.fetching import related
from opticshop.core.scoping import BranchQuerySet

from ..models import Account, Entry, JournalExport, Line, Period
from ..permissions import LedgerPermission


def accounts_for(actor: Actor) -> QuerySet[Account]:
    """The chart, which is the same for the whole group, for whoever may look into books at all."""
    actor.require(LedgerPermission.VIEW)
    return Account.objects.order_by("code")


_LINES = related(
    "lines",
    lambda: Line.objects.everywhere("of entries the actor may see").select_related("account").order_by("line_no"),
)


def entries_visible_to(actor: Actor) -> BranchQuerySet[Entry]:
    entries = Entry.objects.visible_to(actor, LedgerPermission.VIEW)
    return entries.select_related("reversed_by").prefetch_related(_LINES)


def entries_booked_to(entries: BranchQuerySet[Entry], **wanted: str) -> BranchQuerySet[Entry]:
    """Those of the entries that have a line like this: ``account__code="1000"``, ``party="customers/<id>"``."""
    lines = Line.objects.everywhere("a condition on entries that are scoped themselves")
    return entries.filter(Exists(lines.filter(entry=OuterRef("pk"), **wanted)))


def periods_visible_to(actor: Actor) -> QuerySet[Period]:
    """Months of the branches whose books the actor may see, and those of the company, which bind every branch."""
    where = actor.where(LedgerPermission.VIEW)
    return Period.objects.all() if where is ALL else Period.objects.filter(Q(branch__in=where) | Q(branch=None))


def exports_visible_to(actor: Actor) -> BranchQuerySet[JournalExport]:
    """Batches of the branches the actor may export; those of the group only for whoever may export every branch."""
    return JournalExport.objects.visible_to(actor, LedgerPermission.EXPORT)
