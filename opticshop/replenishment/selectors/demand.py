"""What was taken out of the drawers, from the ledger: pieces used for orders and pieces written off, summed in SQL.

Both are demand: a lens that breaks is needed again. What nobody could be served with is not in the ledger, so a power
that was out of stock shows less demand than it had; what customers gave back is not taken off either.
Weeks run from Monday in the branch's own zone; the running week is not looked at. One query per time zone.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import DecimalField, ExpressionWrapper, F, Min, Sum
from django.db.models.functions import TruncDate, TruncWeek

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core.scoping import BranchQuerySet
from opticshop.stock.models import Lot, Movement

DEMAND_KINDS = (Movement.Kind.CONSUMPTION, Movement.Kind.WRITE_OFF)
Cell = tuple[uuid.UUID, uuid.UUID]  # (branch, item)


@dataclass(slots=True)
class WeeklyDemand:
    """``counts``: (branch, item) -> pieces per week, oldest first; cells without demand are missing.

    ``kept``: (branch, lens product) -> for how many of the weeks the branch has had the product, at least 1.
    """

    weeks: int
    counts: dict[Cell, list[int]] = field(default_factory=dict)
    kept: dict[tuple[uuid.UUID, uuid.UUID], int] = field(default_factory=dict)

    def of(self, branch: uuid.UUID, item: uuid.UUID, lens: uuid.UUID) -> tuple[int, ...]:
        """The weeks in which the branch had the product."""
        return tuple(self.counts.get((branch, item), [0] * self.weeks)[-self.kept[branch, lens] :])


def monday_of(day: dt.date) -> dt.date:
    return day - dt.timedelta(days=day.weekday())


def weekly_demand(
    branches: Iterable[Branch], lenses: Iterable[LensProduct], *, weeks: int, until: dt.date
) -> WeeklyDemand:
    """Demand of the whole weeks before ``until``, a Monday. For the use case of these branches, checked there."""
    since = until - dt.timedelta(weeks=weeks)
    found = WeeklyDemand(weeks)
    lens_ids = [lens.id for lens in lenses]
    zones: dict[str, list[uuid.UUID]] = {}
    for branch in branches:
        zones.setdefault(branch.time_zone, []).append(branch.id)
    for zone_name, branch_ids in zones.items():
        zone = ZoneInfo(zone_name)
        rows = (
            _taken(branch_ids, since, until, zone)
            .filter(lot__item__lens__in=lens_ids)
            .annotate(week=TruncWeek("created_at", tzinfo=zone))
            .order_by()
            .values_list("branch", "lot__item", "week")
            .annotate(change=Sum("on_hand_change"))
        )
        for branch_id, item_id, week, change in rows:
            counts = found.counts.setdefault((branch_id, item_id), [0] * weeks)
            counts[(week.astimezone(zone).date() - since).days // 7] -= change
        lots = Lot.objects.everywhere("for the use case of these branches, checked there")
        firsts = (
            lots.filter(branch__in=branch_ids, item__lens__in=lens_ids)
            .order_by()
            .values_list("branch", "item__lens")
            .annotate(first=Min("created_at"))
        )
        for branch_id, lens_id, first in firsts:
            since_first = (until - monday_of(first.astimezone(zone).date())).days // 7
            found.kept[branch_id, lens_id] = min(weeks, max(1, since_first))
    return found


def daily_demand(
    branch: Branch, lenses: Iterable[LensProduct], *, since: dt.date, until: dt.date
) -> dict[uuid.UUID, dict[dt.date, int]]:
    """Item -> day -> pieces taken at a branch, from ``since`` to the day before ``until``. One query."""
    zone = ZoneInfo(branch.time_zone)
    rows = (
        _taken([branch.id], since, until, zone)
        .filter(lot__item__lens__in=[lens.id for lens in lenses])
        .annotate(day=TruncDate("created_at", tzinfo=zone))
        .order_by()
        .values_list("lot__item", "day")
        .annotate(change=Sum("on_hand_change"))
    )
    found: dict[uuid.UUID, dict[dt.date, int]] = {}
    for item_id, day, change in rows:
        found.setdefault(item_id, {})[day] = -change
    return found


def moved_values(branches: Iterable[Branch], *, since: dt.date, until: dt.date) -> dict[Cell, tuple[int, Decimal]]:
    """(branch, item) -> pieces taken and their cost in those days, lenses and frames. One query per time zone."""
    found: dict[Cell, tuple[int, Decimal]] = {}
    zones: dict[str, list[uuid.UUID]] = {}
    for branch in branches:
        zones.setdefault(branch.time_zone, []).append(branch.id)
    cost = ExpressionWrapper(
        F("on_hand_change") * F("unit_cost"), output_field=DecimalField(max_digits=14, decimal_places=2)
    )
    for zone_name, branch_ids in zones.items():
        rows = (
            _taken(branch_ids, since, until, ZoneInfo(zone_name))
            .order_by()
            .values_list("branch", "lot__item")
            .annotate(change=Sum("on_hand_change"), value=Sum(cost))
        )
        for branch_id, item_id, change, value in rows:
            found[branch_id, item_id] = (-change, Decimal(-value).quantize(Decimal("0.01")))
    return found


def _taken(branch_ids: list[uuid.UUID], since: dt.date, until: dt.date, zone: ZoneInfo) -> BranchQuerySet[Movement]:
    first, end = (dt.datetime.combine(day, dt.time(), tzinfo=zone) for day in (since, until))
    return Movement.objects.everywhere("for the use case of these branches, checked there").filter(
        branch__in=branch_ids, kind__in=DEMAND_KINDS, on_hand_change__lt=0, created_at__gte=first, created_at__lt=end
    )
