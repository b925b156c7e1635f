"""What moves and what does not: ABC classes of a branch, and stock that nobody has asked for in months."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.db.models import Max, OuterRef, Q, Subquery

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
    limit = clock.now() - dt.timedelta(days=float(months * DAYS_IN_MONTH))
    return lots.filter(created_at__lt=limit).filter(Q(last_taken_at__isnull=True) | Q(last_taken_at__lt=limit))
