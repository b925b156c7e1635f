"""Count sheets and their lines, limited to the actor's branches, and what differs."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, IntegerField, OuterRef, Q, Subquery, Sum
from django.db.models.functions import Coalesce

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet

from ..models import CountLine, Lot, Movement, StockCount
from ..permissions import StockPermission
from ..sections import Section


def counts_visible_to(actor: Actor) -> BranchQuerySet[Any]:
    rows = StockCount.objects.visible_to(actor, StockPermission.VIEW)
    return rows.select_related("branch").annotate(
        lines_total=Count("lines"), lines_counted=Count("lines", filter=Q(lines__counted__isnull=False))
    )


def count_get_for(actor: Actor, count_id: uuid.UUID, *, permission: str = StockPermission.VIEW) -> StockCount:
    """The count, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = StockCount.objects.visible_to(actor, permission).select_related("branch").filter(id=count_id).first()
    if found is None:
        raise NotFound(f"There is no count {count_id} here.", field="count")
    return found


def count_lines_visible_to(actor: Actor) -> BranchQuerySet[CountLine]:
    rows = CountLine.objects.visible_to(actor, StockPermission.VIEW)
    return rows.select_related("lot__item__frame", "lot__item__lens")


def lots_in_section(branch: Branch, section: Section) -> BranchQuerySet[Lot]:
    """The lots of a section that hold anything, in quarantine or not."""
    lots = Lot.objects.everywhere("of a branch that the caller checked")
    return lots.filter(section.lots(), branch=branch, on_hand__gt=0).order_by("id")


def lines_with_moves(count: StockCount) -> BranchQuerySet[Any]:
    """The counted lines, each with the pieces that moved after it was counted (``moves_since``, ``change_since``)."""
    later = (
        Movement.objects.everywhere("of lots of a count that the caller checked")
        .filter(lot=OuterRef("lot"), line__gt=OuterRef("ledger_line"))
        .exclude(on_hand_change=0)
        .exclude(document=f"counts/{count.id}")
        .order_by()
        .values("lot")
    )
    lines = CountLine.objects.everywhere("of a count that the caller checked").filter(
        count=count, counted__isnull=False
    )
    return lines.annotate(
        moves_since=Coalesce(Subquery(later.annotate(n=Count("id")).values("n"), output_field=IntegerField()), 0),
        change_since=Coalesce(
            Subquery(later.annotate(n=Sum("on_hand_change")).values("n"), output_field=IntegerField()), 0
        ),
    ).order_by("id")


@dataclass(frozen=True, slots=True)
class Variances:
    """What a count found: the lines that differ, and the sums over all counted lines."""

    count: StockCount
    lines: list[Any]
    lines_counted: int
    lines_exact: int
    surplus_pieces: int
    missing_pieces: int
    surplus_value: Decimal
    missing_value: Decimal


def variances_of(count: StockCount) -> Variances:
    """Two queries, however many lines there are. Values are at the cost of each lot."""
    counted = lines_with_moves(count).annotate(variance=F("counted") - F("expected"))
    lines: list[Any] = list(counted.exclude(variance=0).select_related("lot__item__frame", "lot__item__lens"))
    for line in lines:
        line.value = line.variance * line.lot.unit_cost
        line.is_stale = line.moves_since > 0 and line.adjustment_id is None
        line.is_below_reserved = line.counted < line.reserved
    total = counted.count()
    more, less = [line for line in lines if line.variance > 0], [line for line in lines if line.variance < 0]
    return Variances(
        count=count,
        lines=lines,
        lines_counted=total,
        lines_exact=total - len(lines),
        surplus_pieces=sum(line.variance for line in more),
        missing_pieces=-sum(line.variance for line in less),
        surplus_value=sum((line.value for line in more), Decimal(0)),
        missing_value=-sum((line.value for line in less), Decimal(0)),
    )
