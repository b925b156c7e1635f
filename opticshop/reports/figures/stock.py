"""What the stock is worth, how often it turns, and what lies dead: from the stock ledger alone.

Values are those of ``stock.selectors.valuation`` by the company's method; the value at a day is that at the end of the
day by each branch's own calendar. Dead stock follows the rule of ``replenishment``. Costs are without tax, in the
currency of the branch.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.money import rounded
from opticshop.core.percentiles import nearest_rank
from opticshop.quality.figures import bounds_of, branches_by_zone
from opticshop.replenishment.selectors import DEAD_AFTER_MONTHS, DeadLot, dead_stock_at
from opticshop.stock.models import Movement, StockItem
from opticshop.stock.permissions import StockPermission
from opticshop.stock.selectors import Valuation, valuations_at

from ..registry import Chart, Column, Drill, Report, Row, Scope, register

TURN = Decimal("0.01")
DAYS_IN_YEAR = 365
LONG_IDLE_DAYS = 730
#: (label of the group, currency)
Key = tuple[str, str]


def stock_value(scope: Scope) -> list[Row]:
    """One row a group and currency: pieces and worth at the end of the last day of the period."""
    names, rows = _Names(scope.by), dict[Key, Row]()
    for valuation in valuations_at([(branch, _end_of(branch, scope.until)) for branch in scope.branches]).values():
        for item, worth in valuation.items.items():
            if not (worth.on_hand or worth.in_transit):
                continue
            key = names.of(valuation, item)
            row = rows.setdefault(key, _row(scope, key, "pieces", "value", "in_transit_pieces", "in_transit_value"))
            row["pieces"] += worth.on_hand
            row["value"] += worth.on_hand_value
            row["in_transit_pieces"] += worth.in_transit
            row["in_transit_value"] += worth.in_transit_value
    return [rows[key] for key in sorted(rows)]


def stock_turn(scope: Scope) -> list[Row]:
    """One row a group and currency that held or issued anything in the period.

    The average is that of the values at the beginning, at the end of each month within and at the end, each span
    between two of them weighted by its days.
    """
    days = _cuts(scope.since, scope.until)
    asked = [(branch, _end_of(branch, day)) for branch in scope.branches for day in days]
    told, names = valuations_at(asked), _Names(scope.by)
    values: dict[Key, list[Decimal]] = defaultdict(lambda: [Decimal(0)] * len(days))
    issued: dict[Key, Decimal] = defaultdict(Decimal)
    for branch in scope.branches:
        series = [told[branch.id, _end_of(branch, day)] for day in days]
        for place, valuation in enumerate(series):
            for item, worth in valuation.items.items():
                values[names.of(valuation, item)][place] += worth.on_hand_value + worth.in_transit_value
        for item in series[-1].items:
            issued[names.of(series[-1], item)] += _issued_until(series[-1], item) - _issued_until(series[0], item)
    return [
        _turn_row(scope, key, days, values[key], issued[key])
        for key in sorted(values)
        if any(values[key]) or issued[key]
    ]


def dead_stock(scope: Scope, *, months: int = DEAD_AFTER_MONTHS) -> list[Row]:
    """One row a group and currency: the lots that lay dead at the end of the last day (now, while that is to come)."""
    groups: dict[Key, list[tuple[DeadLot, int]]] = defaultdict(list)
    currencies = {branch.id: branch for branch in scope.branches}
    for zone, branches in branches_by_zone(scope.branches).items():
        at = min(_end_of(branches[0], scope.until), clock.now())
        for dead in dead_stock_at(branches, at=at, months=months):
            branch, item = currencies[dead.lot.branch_id], dead.lot.item
            article = item.frame or item.lens
            label = _label(scope.by, branch, item.kind, article.sku if article else "")
            day = at.astimezone(ZoneInfo(zone)).date()
            idle = (day - dead.idle_since.astimezone(ZoneInfo(zone)).date()).days
            groups[label, branch.currency].append((dead, idle))
    return [_dead_row(scope, key, groups[key]) for key in sorted(groups)]


class _Names:
    """The group of an item of a valuation. One query where the group is the article."""

    def __init__(self, by: str) -> None:
        self._by, self._skus = by, dict[uuid.UUID, str]()
        if by == "product":
            rows = StockItem.objects.values_list("id", "frame__sku", "lens__sku")
            self._skus = {item: frame or lens or "" for item, frame, lens in rows}

    def of(self, valuation: Valuation, item: uuid.UUID) -> Key:
        branch = valuation.branch
        return _label(self._by, branch, valuation.kinds[item], self._skus.get(item, "")), branch.currency


def _label(by: str, branch: Branch, kind: str, sku: str) -> str:
    return {"branch": branch.code, "kind": kind, "branch_and_kind": f"{branch.code} {kind}", "product": sku}.get(
        by, "Total"
    )


def _row(scope: Scope, key: Key, *names: str) -> Row:
    label, currency = key
    return {scope.by: label, "currency": currency, **{name: Decimal(0) if "value" in name else 0 for name in names}}


def _turn_row(scope: Scope, key: Key, days: Sequence[dt.date], values: Sequence[Decimal], issued: Decimal) -> Row:
    label, currency = key
    spans = [(later - day).days for day, later in pairwise(days)]
    weighed = [span * (before + after) / 2 for span, (before, after) in zip(spans, pairwise(values), strict=True)]
    average = sum(weighed, Decimal(0)) / sum(spans)
    turn = issued / average if average else None
    return {
        scope.by: label,
        "currency": currency,
        "opening_value": values[0],
        "closing_value": values[-1],
        "average_value": rounded(average, currency),
        "issued_cost": issued,
        "turn": None if turn is None else turn.quantize(TURN),
        "turn_a_year": None if turn is None else (turn * DAYS_IN_YEAR / sum(spans)).quantize(TURN),
    }


def _dead_row(scope: Scope, key: Key, lots: Sequence[tuple[DeadLot, int]]) -> Row:
    label, currency = key
    idle = [days for _, days in lots]
    return {
        scope.by: label,
        "currency": currency,
        "lots": len(lots),
        "pieces": sum(dead.pieces for dead, _ in lots),
        "value": sum((dead.value for dead, _ in lots), Decimal(0)),
        "value_idle_two_years": sum((dead.value for dead, days in lots if days >= LONG_IDLE_DAYS), Decimal(0)),
        "idle_p50_days": nearest_rank(idle, 50),
        "idle_longest_days": max(idle),
    }


def _issued_until(valuation: Valuation, item: uuid.UUID) -> Decimal:
    """The cost of what orders took of an item since the beginning, positive."""
    worth = valuation.items.get(item)
    return -worth.flows.get(Movement.Kind.CONSUMPTION.value, (0, Decimal(0)))[1] if worth else Decimal(0)


def _cuts(since: dt.date, until: dt.date) -> list[dt.date]:
    """The days at whose end the stock is valued: the day before the period, month ends within, the last day."""
    ends = {since - dt.timedelta(days=1), until}
    day = since.replace(day=1)
    while day <= until:
        day = (day + dt.timedelta(days=32)).replace(day=1)
        if since <= (end := day - dt.timedelta(days=1)) <= until:
            ends.add(end)
    return sorted(ends)


def _end_of(branch: Branch, day: dt.date) -> dt.datetime:
    """The last instant of a day of the branch."""
    return bounds_of(branch.time_zone, day, day)[1] - dt.timedelta(microseconds=1)


_GROUPINGS = ("branch", "kind", "branch_and_kind", "product")
_PROOF = "(tests/reports/test_reports_stock.py)"

STOCK_VALUE = register(
    Report(
        key="stock-value",
        title="Stock value",
        purpose="What the stock is worth at the end of the last day of the period.",
        columns=(
            Column("pieces", "Pieces", "count", "Pieces on hand."),
            Column("value", "Value", "money", "What they cost, by the group's method of valuation, without tax."),
            Column("in_transit_pieces", "Pieces in transit", "count", "Sent to another branch and not taken in there."),
            Column("in_transit_value", "Value in transit", "money", "What these cost; they belong to who sent them."),
        ),
        groupings=_GROUPINGS,
        figures=stock_value,
        reconciled_with=f"the lines of the stock ledger, and the valuation of the stock {_PROOF}",
        permission=StockPermission.VALUE,
        is_heavy=True,
        chart=Chart(kind="bars", x="by", y=("value",)),
        drills=(Drill("/api/v1/stock/"),),
    )
)

STOCK_TURN = register(
    Report(
        key="stock-turn",
        title="Stock turn",
        purpose="How often the stock was used up and replaced in the period.",
        columns=(
            Column("opening_value", "Value before", "money", "On hand and in transit when the period began."),
            Column("closing_value", "Value after", "money", "On hand and in transit when it ended."),
            Column(
                "average_value",
                "Average value",
                "money",
                "Mean of the values when the period began, at the end of each month within and when it ended, each "
                "span between two of them weighted by its days.",
            ),
            Column("issued_cost", "Cost of issues", "money", "What the pieces cost that orders took in the period."),
            Column("turn", "Turns", "rate", "Cost of issues over average value, in this period."),
            Column("turn_a_year", "Turns a year", "rate", "Turns times 365 over the days of the period."),
        ),
        groupings=_GROUPINGS,
        figures=stock_turn,
        reconciled_with=f"the lines of the stock ledger {_PROOF}",
        permission=StockPermission.VALUE,
        is_heavy=True,
        chart=Chart(kind="bars", x="by", y=("turn_a_year",)),
        drills=(Drill("/api/v1/stock/movements/?kind=consumption", since="moved_from", until="moved_to"),),
    )
)

DEAD_STOCK = register(
    Report(
        key="dead-stock",
        title="Dead stock",
        purpose="What lies in the drawers and nobody has used in months.",
        columns=(
            Column(
                "lots",
                "Lots",
                "count",
                f"Lots that hold something, came in {DEAD_AFTER_MONTHS} months before the end of the last day or "
                "earlier, and of whose article nothing was used or written off at that branch since then.",
            ),
            Column("pieces", "Pieces", "count", "Pieces of these lots on hand."),
            Column("value", "Value", "money", "These pieces at the cost of their lots, without tax."),
            Column(
                "value_idle_two_years", "Of it idle for two years", "money", "The value of what lay 730 days or more."
            ),
            Column(
                "idle_p50_days",
                "Half idle for, days",
                "days",
                "Days since the article was last used at the branch or, if later, the lot came in: the lot at the "
                "nearest rank (p50).",
            ),
            Column("idle_longest_days", "Idle longest, days", "days", "The same of the lot that lay longest."),
        ),
        groupings=_GROUPINGS,
        figures=dead_stock,
        reconciled_with=f"the list of dead stock of replenishment {_PROOF}",
        permission=StockPermission.VALUE,
        chart=Chart(kind="bars", x="by", y=("value",)),
        drills=(Drill("/api/v1/replenishment/dead-stock/"),),
    )
)
