"""What moves and what does not: ABC classes of a branch, and stock that nobody has asked for in months."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Max, OuterRef, Q, Subquery, Sum

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.stock.models import Lot, Movement

from ..classes import Class, abc_classes
from ..permissions import ReplenishmentPermission
from .demand import DEMAND_KINDS, Cell, monday_of, moved_values
from .positions import items_of

#: A month of the dead-stock rule.
DAYS_IN_MONTH = Decimal("30.44")
#: Stock is dead after so many months where nobody says otherwise (common practice, no source).
DEAD_AFTER_MONTHS = 12


@dataclass(frozen=True, slots=True)
class DeadLot:
    """A lot that lay unused at a moment: how many pieces, and since when its item was not taken at that branch."""

    lot: Lot
    pieces: int
    idle_since: dt.datetime

    @property
    def value(self) -> Decimal:
        """In the branch's currency, at the cost of the lot."""
        return self.pieces * self.lot.unit_cost


def classes_of(branches: Iterable[Branch], *, weeks: int, until: dt.date) -> dict[Cell, Class]:
    """(branch, item) -> class by the value moved at that branch in the weeks before ``until``; the rest is D."""
    moved = moved_values(branches, since=until - dt.timedelta(weeks=weeks), until=until)
    found: dict[Cell, Class] = {}
    for branch_id in {cell[0] for cell in moved}:
        values = {cell: value for cell, (_, value) in moved.items() if cell[0] == branch_id}
        found |= abc_classes(dict(sorted(values.items(), key=lambda pair: pair[0][1].int)))
    return found


def class_table(branch: Branch, *, weeks: int) -> dict[str, Any]:
    """What moved at a branch in the last whole weeks, by class and by item, most value first. Two queries."""
    until = monday_of(clock.today(branch.time_zone))
    since = until - dt.timedelta(weeks=weeks)
    moved = {cell[1]: row for cell, row in moved_values([branch], since=since, until=until).items()}
    items = items_of(moved)
    order = sorted(moved, key=lambda item_id: (-moved[item_id][1], item_id.int))
    classes = abc_classes({item_id: moved[item_id][1] for item_id in order})
    total = sum((value for _, value in moved.values()), Decimal(0))
    rows: list[dict[str, Any]] = [
        {"item": items[key], "pieces": moved[key][0], "value": moved[key][1], "abc_class": classes[key]}
        for key in order
    ]
    summary = []
    for name in ("A", "B", "C", "D"):
        members = [row for row in rows if row["abc_class"] == name]
        value = sum((row["value"] for row in members), Decimal(0))
        share = (100 * value / total).quantize(Decimal("0.1")) if total else Decimal(0)
        pieces = sum(row["pieces"] for row in members)
        summary.append(
            {"abc_class": name, "items": len(members), "pieces": pieces, "value": value, "share_percent": share}
        )
    return {"branch": branch.id, "since": since, "until": until, "classes": summary, "items": rows}


def dead_stock_visible_to(actor: Actor) -> BranchQuerySet[Any]:
    """Lots that hold something, with the moment their item was last taken at that branch (null: never)."""
    lots = Lot.objects.visible_to(actor, ReplenishmentPermission.VIEW).filter(on_hand__gt=0)
    taken = (
        Movement.objects.everywhere("of the lots shown")
        .filter(branch=OuterRef("branch"), lot__item=OuterRef("item"), kind__in=DEMAND_KINDS)
        .order_by()
        .values("lot__item")
        .annotate(last=Max("created_at"))
        .values("last")
    )
    return lots.select_related("item__lens", "item__frame").annotate(last_taken_at=Subquery(taken))


def not_moved_for(lots: BranchQuerySet[Any], months: int) -> BranchQuerySet[Any]:
    """Of these lots, the ones that came in and were last taken so many months ago or longer."""
    limit = _limit(clock.now(), months)
    return lots.filter(created_at__lt=limit).filter(Q(last_taken_at__isnull=True) | Q(last_taken_at__lt=limit))


def dead_stock_at(branches: Iterable[Branch], *, at: dt.datetime, months: int = DEAD_AFTER_MONTHS) -> list[DeadLot]:
    """The lots that were dead at a moment, by the rule of ``not_moved_for``, from the ledger alone.

    For branches whose stock the caller may value. Three queries.
    """
    before = Movement.objects.everywhere("of branches the caller may value").filter(
        branch__in=list(branches), created_at__lte=at
    )
    taken = before.filter(kind__in=DEMAND_KINDS).order_by().values_list("branch", "lot__item")
    last_taken = {(branch, item): last for branch, item, last in taken.annotate(last=Max("created_at"))}
    sums = before.order_by().values_list("lot").annotate(pieces=Sum("on_hand_change"))
    held = {lot_id: pieces for lot_id, pieces in sums if pieces > 0}
    lots = Lot.objects.everywhere("as above").filter(branch__in=list(branches), created_at__lt=_limit(at, months))
    found = []
    for lot in lots.select_related("item__lens", "item__frame").order_by("id"):
        idle_since = max(lot.created_at, last_taken.get((lot.branch_id, lot.item_id), lot.created_at))
        if lot.id in held and idle_since < _limit(at, months):
            found.append(DeadLot(lot, held[lot.id], idle_since))
    return found


def _limit(moment: dt.datetime, months: int) -> dt.datetime:
    return moment - dt.timedelta(days=float(months * DAYS_IN_MONTH))
