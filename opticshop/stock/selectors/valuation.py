"""What the stock of the branches is worth at a moment, computed from the ledger alone."""

from __future__ import annotations

import datetime as dt
import uuid
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.conf import settings

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict

from ..costing import LedgerTorn, Line, Method, Worth, replay_in_parts
from ..models import Movement, StockItem
from ..permissions import StockPermission


class ValuationImpossible(Conflict):
    """The ledger does not add up, so nothing can be said of its worth. ``manage.py stock_verify`` says where."""

    code = "stock.valuation_impossible"
    title = "The ledger does not add up"


@dataclass(slots=True)
class Valuation:
    """The worth of one branch: per item, and summed."""

    branch: Branch
    method: Method
    at: dt.datetime
    items: dict[uuid.UUID, Worth] = field(default_factory=dict)
    kinds: dict[uuid.UUID, str] = field(default_factory=dict)

    @property
    def on_hand_pieces(self) -> int:
        return sum(worth.on_hand for worth in self.items.values())

    @property
    def on_hand_value(self) -> Decimal:
        return sum((worth.on_hand_value for worth in self.items.values()), Decimal(0))

    @property
    def in_transit_pieces(self) -> int:
        return sum(worth.in_transit for worth in self.items.values())

    @property
    def in_transit_value(self) -> Decimal:
        return sum((worth.in_transit_value for worth in self.items.values()), Decimal(0))

    @property
    def by_kind(self) -> list[tuple[str, int, Decimal]]:
        """On hand: (kind of item, pieces, value)."""
        sums: dict[str, tuple[int, Decimal]] = {}
        for item, worth in self.items.items():
            pieces, value = sums.get(self.kinds[item], (0, Decimal(0)))
            sums[self.kinds[item]] = pieces + worth.on_hand, value + worth.on_hand_value
        return [(kind, *sums[kind]) for kind in sorted(sums)]

    @property
    def flows(self) -> list[tuple[str, int, Decimal]]:
        """Since the beginning: (kind of movement, pieces, value); their sum is what is on hand and in transit."""
        sums: dict[str, tuple[int, Decimal]] = {}
        for worth in self.items.values():
            for kind, (more, cost) in worth.flows.items():
                pieces, value = sums.get(kind, (0, Decimal(0)))
                sums[kind] = pieces + more, value + cost
        return [(kind, *sums[kind]) for kind in sorted(sums)]


def company_method() -> Method:
    """The group's method, OPTICSHOP_STOCK_VALUATION."""
    return Method(settings.OPTICSHOP_STOCK_VALUATION)


def valuations(
    actor: Actor, *, branch: Branch | None = None, at: dt.datetime | None = None, method: Method | None = None
) -> list[Valuation]:
    """The worth of a branch, or of every branch that the actor may value, by code. Raises ValuationImpossible.

    All branches are computed, since what one sends brings its cost to another; only those asked for are told.
    """
    at = at or clock.now()
    where = actor.where(StockPermission.VALUE)
    branches = Branch.objects.all() if where is ALL else Branch.objects.filter(id__in=where)
    if branch is not None:
        branches = branches.filter(id=branch.id)
    return list(valuations_at([(each, at) for each in branches.order_by("code")], method=method).values())


def valuations_at(
    asked: Iterable[tuple[Branch, dt.datetime]], *, method: Method | None = None
) -> dict[tuple[uuid.UUID, dt.datetime], Valuation]:
    """(branch, moment) -> its worth, for branches that the caller may value. One query. Raises ValuationImpossible."""
    method = method or company_method()
    told = {(branch.id, at): Valuation(branch, method, at) for branch, at in asked}
    try:
        for item, kind, at, worths in _worths(method, sorted({at for _, at in told})):
            for branch_id, worth in worths.items():
                if (valuation := told.get((branch_id, at))) is not None:
                    valuation.items[item], valuation.kinds[item] = worth, kind
    except LedgerTorn as error:
        raise ValuationImpossible(str(error)) from error
    return told


def worth_of_items(method: Method, at: dt.datetime) -> Iterator[tuple[uuid.UUID, str, dict[uuid.UUID, Worth]]]:
    """Every item with its kind and its worth per branch. One query, streamed: an item at a time is in memory.

    Raises LedgerTorn.
    """
    return ((item, kind, worths) for item, kind, _, worths in _worths(method, [at]))


def _worths(
    method: Method, moments: Sequence[dt.datetime]
) -> Iterator[tuple[uuid.UUID, str, dt.datetime, dict[uuid.UUID, Worth]]]:
    """Every item with its kind and its worth per branch at each moment; the moments in order."""
    rows = (
        Movement.objects.everywhere("costs follow transfers across branches; told per branch to those who may know")
        .exclude(on_hand_change=0, in_transit_change=0)
        .order_by("lot__item", "lot", "line")
        .values_list(
            "lot__item",
            "lot__item__kind",
            "created_at",
            "id",
            "lot",
            "branch",
            "kind",
            "on_hand_change",
            "in_transit_change",
            "unit_cost",
            "document",
            "branch__currency",
        )
    )
    for (item, kind), own in groupby(rows.iterator(chunk_size=5000), key=lambda row: (row[0], row[1])):
        parts, is_cut = _parted(moments, own)
        for at, worths in zip(moments, replay_in_parts(parts, method, is_cut=is_cut), strict=True):
            yield item, kind, at, worths


def _parted(moments: Sequence[dt.datetime], rows: Iterable[tuple[Any, ...]]) -> tuple[list[list[Line]], bool]:
    """For each moment the lines since the moment before; of each lot those up to the first that is later than the
    moment. And whether any line was left out.

    A line may wait for the one before it and so bear the earlier time; the order of the lines decides.
    """
    parts: list[list[Line]] = [[] for _ in moments]
    latest: dict[uuid.UUID, dt.datetime] = {}
    is_cut = False
    for _, _, created_at, *columns in rows:
        line = Line(*columns)
        latest[line.lot] = created_at = max(created_at, latest.get(line.lot, created_at))
        place = bisect_left(moments, created_at)
        if place < len(moments):
            parts[place].append(line)
        else:
            is_cut = True
    return parts, is_cut


@dataclass(frozen=True, slots=True)
class ValuedItem:
    """One row of the export."""

    branch: Branch
    item: StockItem
    worth: Worth

    @property
    def article(self) -> Any:
        return self.item.frame if self.item.kind == StockItem.Kind.FRAME else self.item.lens


def valued_items(told: list[Valuation]) -> Iterator[ValuedItem]:
    """The items of valuations that are worth anything, branch by branch, in order of their article. One query."""
    wanted = {
        item for valuation in told for item, worth in valuation.items.items() if worth.on_hand or worth.in_transit
    }
    items = {item.id: item for item in StockItem.objects.select_related("frame", "lens") if item.id in wanted}
    for valuation in told:
        own = [items[item] for item in valuation.items if item in wanted]
        for item in sorted(own, key=_by_article):
            worth = valuation.items[item.id]
            if worth.on_hand or worth.in_transit:
                yield ValuedItem(valuation.branch, item, worth)


def _by_article(item: StockItem) -> tuple[str, str, Decimal, Decimal]:
    article = item.frame if item.kind == StockItem.Kind.FRAME else item.lens
    sku = article.sku if article else ""
    return item.kind, sku, item.sphere_dpt or Decimal(0), -(item.cylinder_dpt or Decimal(0))
