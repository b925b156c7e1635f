"""What was sold and what it left, how offers became orders, and what an order is worth.

A sale is of the day on which the customer got the pair (``billing.Supply``), as in the books: what was paid before is a
deposit until then. Net is without tax. Every order counts at the branch that it belongs to, in its own currency.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from django.db.models import Count, F, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce, TruncDate, TruncMonth, TruncWeek

from opticshop.billing.models import Supply
from opticshop.billing.permissions import BillingPermission
from opticshop.core.shares import share_of
from opticshop.core.sums import MoneySum
from opticshop.ledger.models import Line
from opticshop.orders.models import Order, OrderLine, OrderState, Quotation
from opticshop.orders.permissions import OrderPermission
from opticshop.orders.quotations_models import QuotationState
from opticshop.quality.figures import SPANS, Cell, bounds_of, branches_by_zone, span_label, span_of
from opticshop.stock.models import Movement, Reservation

from ..facts.models import OfferFact, OrderFact, SalesFact
from ..facts.reading import Cells, Kind, add, counted, keep
from ..registry import TOTAL, Chart, Column, Drill, Report, Row, Scope, register

WHY = "a report of branches whose figures the asker may see"
NOT_DIVIDED = "given back after supply"
NOBODY = "nobody named"
#: Orders whose movements are asked for in one query.
AT_ONCE = 5000
_SALES = ("sales", "sales_exempt")
#: A piece that came back later was taken all the same.
_TAKEN = (Reservation.State.CONSUMED, Reservation.State.RETURNED)
#: By the kind or the article of a line: what is given back of a price, and the cost of an order, have none.
_OF_LINES = {"kind": "kind", "product": "sku"}
_TRUNCATED = {"day": TruncDate, "week": TruncWeek, "month": TruncMonth}


def sales(scope: Scope) -> list[Row]:
    """One row a group and currency."""
    rows = []
    for (label, currency), counts in sorted(counted(SALES_FACTS, scope).items()):
        row: Row = {scope.by: label, "currency": currency, **counts}
        row["net_sales"] = row["supplied_net"] - row["given_back"]
        if scope.by in _OF_LINES:
            row["cost"] = row["cost_not_known"] = row["margin"] = row["margin_share"] = None
        elif row["cost_not_known"]:
            row["margin"] = row["margin_share"] = None
        else:
            row["margin"] = row["net_sales"] - row["cost"]
            row["margin_share"] = share_of(row["margin"], row["net_sales"])
        rows.append(row)
    return rows


def conversion(scope: Scope) -> list[Row]:
    """One row a group of the offers made in the period; the total also where there are none."""
    found = counted(OFFER_FACTS, scope)
    if scope.by == TOTAL and not found:
        found = {("Total", ""): dict.fromkeys(OFFER_FACTS.columns, 0)}
    return [
        {scope.by: label, **counts, "ordered_share": share_of(counts["ordered"], counts["offers"])}
        for (label, _), counts in sorted(found.items())
    ]


def orders_placed(scope: Scope) -> list[Row]:
    """One row a group and currency of the orders placed in the period."""
    rows = []
    for (label, currency), counts in sorted(counted(ORDER_FACTS, scope).items()):
        standing = counts["orders"] - counts["cancelled"]
        average = counts["value"] / standing if standing else None
        rows.append({scope.by: label, "currency": currency, **counts, "average_value": average})
    return rows


def _sales(scope: Scope, daily: bool) -> Cells:
    """Three queries, and two more for each ``AT_ONCE`` orders."""
    rows: Cells = {}
    for cell, label, currency, pairs, gross, tax in _supplied(scope, daily):
        row = _sales_row(rows, cell, label, currency)
        row["pairs"] += pairs
        row["supplied_net"] += gross - tax
    for cell, label, currency, given_back in _given_back(scope, daily):
        _sales_row(rows, cell, label, currency)["given_back"] += given_back
    if scope.by not in _OF_LINES:
        for cell, label, currency, cost, is_known in _costs(scope):
            row = _sales_row(rows, cell if daily else None, label, currency)
            row["cost"] += cost
            row["cost_not_known"] += not is_known
    return rows


def _offers(scope: Scope, daily: bool) -> Cells:
    """One query."""
    offers = Quotation.objects.everywhere(WHY).filter(
        branch__in=scope.branches, quoted_on__range=(scope.since, scope.until)
    )
    groups = _grouped(offers, _by_day(scope.by, "quoted_on", "quoted_by"), daily, "branch_id", "quoted_on")
    rows: Cells = {}
    counts = groups.annotate(
        offers=Count("id"),
        ordered=Count("id", filter=Q(state=QuotationState.ACCEPTED)),
        open=Count("id", filter=Q(state=QuotationState.OPEN)),
        withdrawn=Count("id", filter=Q(state=QuotationState.WITHDRAWN)),
        expired=Count("id", filter=Q(state=QuotationState.EXPIRED)),
    )
    for cell, group, *values in _with_cells(counts, daily):
        if values[0]:  # of no offers the database gives a total all the same
            rows[cell, _label(group, scope.by), ""] = dict(zip(OFFER_FACTS.columns, values, strict=True))
    return rows


def _orders(scope: Scope, daily: bool) -> Cells:
    """One query a time zone."""
    rows: Cells = {}
    for zone, branches in branches_by_zone(scope.branches).items():
        start, end = bounds_of(zone, scope.since, scope.until)
        placed = Order.objects.everywhere(WHY).filter(branch__in=branches, placed_at__gte=start, placed_at__lt=end)
        key = span_of("placed_at", scope.by, zone) if scope.by in SPANS else _plain_key(scope.by, "", "placed_by")
        groups = _grouped(placed, key, daily, "branch_id", span_of("placed_at", "day", zone), "currency")
        stands = ~Q(state=OrderState.CANCELLED)
        counts = groups.annotate(
            count=Count("id"),
            cancelled=Count("id", filter=~stands),
            value=MoneySum("total", filter=stands),
            taxes=MoneySum("tax_total", filter=stands),
        )
        for cell, group, currency, count, cancelled, value, tax in _with_cells(counts, daily):
            worth = value or Decimal(0)
            values = {"orders": count, "cancelled": cancelled, "value": worth, "net_value": worth - (tax or 0)}
            add(rows, {(cell, _label(group, scope.by), currency): values})
    return rows


def _grouped(rows: QuerySet[Any], key: Any, daily: bool, branch: str, day: Any, *more: str) -> QuerySet[Any]:
    """The rows by group and further columns; where it is asked for, of each branch and day."""
    cell = ("of_branch", "on_day") if daily else ()
    if daily:
        rows = rows.annotate(of_branch=F(branch), on_day=F(day) if isinstance(day, str) else day)
    return rows.annotate(group=key).order_by().values_list(*cell, "group", *more)


def _with_cells(rows: QuerySet[Any], daily: bool) -> Iterator[tuple[Any, ...]]:
    for row in rows:
        yield (row[:2], *row[2:]) if daily else (None, *row)


def _supplied(scope: Scope, daily: bool) -> Iterator[tuple[Any, ...]]:
    """(cell, label, currency, orders, gross, tax) of what was supplied. One query."""
    if scope.by in _OF_LINES:
        lines = OrderLine.objects.filter(
            order__supply__branch__in=scope.branches, order__supply__supplied_on__range=(scope.since, scope.until)
        )
        day = ("order__supply__branch_id", "order__supply__supplied_on")
        groups = _grouped(lines, F(_OF_LINES[scope.by]), daily, *day, "order__currency")
        pairs, gross, tax = Count("order_id", distinct=True), MoneySum("gross"), MoneySum("tax")
    else:
        key = _by_day(scope.by, "supplied_on", "order__placed_by")
        groups = _grouped(_supplies(scope), key, daily, "branch_id", "supplied_on", "order__currency")
        pairs, gross, tax = Count("id"), MoneySum("order__total"), MoneySum("order__tax_total")
    for cell, group, *values in _with_cells(groups.annotate(pairs=pairs, gross_sum=gross, tax_sum=tax), daily):
        yield cell, _label(group, scope.by), *values


def _supplies(scope: Scope) -> QuerySet[Any]:
    return Supply.objects.everywhere(WHY).filter(
        branch__in=scope.branches, supplied_on__range=(scope.since, scope.until)
    )


def _given_back(scope: Scope, daily: bool) -> Iterator[tuple[Any, ...]]:
    """(cell, label, currency, net) given back of sales on the day it was booked: debits of the sales accounts."""
    lines = Line.objects.everywhere(WHY).filter(
        entry__branch__in=scope.branches,
        entry__booked_on__range=(scope.since, scope.until),
        account__role__in=_SALES,
        debit__gt=0,
    )
    if scope.by in (*_OF_LINES, "person"):
        key: Any = Value(NOT_DIVIDED)
    else:
        key = _by_day(scope.by, "entry__booked_on", "", branch="entry__branch__code")
    groups = _grouped(lines, key, daily, "entry__branch_id", "entry__booked_on", "entry__currency")
    for cell, group, currency, net in _with_cells(groups.annotate(net=MoneySum("debit")), daily):
        yield cell, _label(group, scope.by) if group != NOT_DIVIDED else group, currency, net


def _costs(scope: Scope) -> Iterator[tuple[Cell, str, str, Decimal, bool]]:
    """(cell, label, currency, cost, whether it is known) of each order supplied in the period: all pieces that it took
    from stock, also for remakes.

    The cost is known where each lens, and the frame unless it is the customer's, was taken from stock that is kept in
    the currency of the order. Pieces kept in another currency are not added.
    """
    orders: dict[str, tuple[Cell, str, str, int]] = {}
    supplies = _supplies(scope).annotate(
        group=_by_day(scope.by, "supplied_on", "order__placed_by"), lenses=Count("order__lenses")
    )
    for order_id, branch_id, day, group, currency, is_customers, lenses in supplies.order_by().values_list(
        "order_id", "branch_id", "supplied_on", "group", "order__currency", "order__frame_is_customers", "lenses"
    ):
        label, needed = _label(group, scope.by), lenses + (not is_customers)
        orders[f"orders/{order_id}"] = (branch_id, day), label, currency, needed
    names = list(orders)
    for start in range(0, len(names), AT_ONCE):
        some = names[start : start + AT_ONCE]
        parts = Reservation.objects.everywhere(WHY).filter(document__in=some, state__in=_TAKEN).order_by()
        taken: dict[str, set[str]] = defaultdict(set)
        for document, part, currency in parts.values_list("document", "part", "branch__currency"):
            if currency == orders[document][2]:
                taken[document].add(part)
        costs: dict[str, Decimal] = defaultdict(Decimal)
        moved = Movement.objects.everywhere(WHY).filter(document__in=some, kind=Movement.Kind.CONSUMPTION)
        for document, currency, cost in (
            moved.order_by()
            .values_list("document", "branch__currency")
            .annotate(cost=Sum(F("unit_cost") * -F("on_hand_change")))
        ):
            if currency == orders[document][2]:
                costs[document] = Decimal(cost).quantize(Decimal("0.01"))
        for document in some:
            cell, label, currency, needed = orders[document]
            yield cell, label, currency, costs[document], len(taken[document]) == needed


def _sales_row(rows: Cells, cell: Cell | None, label: str, currency: str) -> dict[str, Any]:
    zero = Decimal(0)
    nothing = {"pairs": 0, "supplied_net": zero, "given_back": zero, "cost": zero, "cost_not_known": 0}
    return rows.setdefault((cell, label, currency), nothing)


def _by_day(by: str, day: str, person: str, branch: str = "branch__code") -> Any:
    """The group of a row that carries a day of its branch."""
    return _TRUNCATED[by](day) if by in ("week", "month") else F(day) if by == "day" else _plain_key(by, branch, person)


def _plain_key(by: str, branch: str, person: str) -> Any:
    if by == "branch":
        return F(branch or "branch__code")
    if by == "person":
        return Coalesce(F(f"{person}__username"), Value(NOBODY))
    return Value("Total")


def _label(group: Any, by: str) -> str:
    return span_label(group, by) if by in SPANS else str(group)


SALES_FACTS = keep(
    Kind(
        "sales",
        SalesFact,
        ("pairs", "supplied_net", "given_back", "cost", "cost_not_known"),
        _sales,
        groupings=("kind", "product", "person"),
    )
)
OFFER_FACTS = keep(
    Kind("offers", OfferFact, ("offers", "ordered", "open", "withdrawn", "expired"), _offers, groupings=("person",))
)
ORDER_FACTS = keep(
    Kind("orders", OrderFact, ("orders", "cancelled", "value", "net_value"), _orders, groupings=("person",))
)

SALES = register(
    Report(
        key="sales-and-margin",
        title="Sales and margin",
        purpose="What was sold without tax, what was given back, and what is left after the lenses and frames used.",
        columns=(
            Column("pairs", "Pairs", "count", "Orders that their customers got in the period, each once."),
            Column(
                "supplied_net",
                "Supplied, net",
                "money",
                "The prices of these orders without tax, after all discounts, as they stood when they were placed.",
            ),
            Column(
                "given_back",
                "Given back, net",
                "money",
                "What was given back of the price of pairs already supplied, without its tax, booked in the period. By "
                "kind, product or person it is a row of its own.",
            ),
            Column("net_sales", "Net sales", "money", "Supplied less given back: the income of the sales accounts."),
            Column(
                "cost",
                "Cost of pieces",
                "money",
                "What the pieces cost, by the stock ledger, that these orders took, also for remakes. Lenses that a "
                "laboratory made for one pair count once they are received into stock. Not told by kind or product.",
            ),
            Column(
                "cost_not_known",
                "Cost not known",
                "count",
                "Of these pairs, those of which a lens, or a frame that was not the customer's, was not taken from "
                "stock kept in the currency of the order. Not told by kind or product.",
            ),
            Column(
                "margin",
                "Margin",
                "money",
                "Net sales less the cost of pieces; not told where the cost of a pair is not known.",
            ),
            Column("margin_share", "Margin share", "share", "Margin over net sales."),
        ),
        groupings=("branch", "kind", "product", "person", "day", "week", "month"),
        figures=sales,
        reconciled_with="the sales accounts of the ledger and the stock ledger (tests/reports/test_reports_selling.py)",
        permission=BillingPermission.VIEW,
        is_heavy=True,
        chart=Chart(kind="bars", x="by", y=("net_sales", "margin")),
        drills=(
            Drill("/api/v1/orders/", since="supplied_from", until="supplied_to"),
            Drill("/api/v1/journal-entries/", since="booked_from", until="booked_to"),
        ),
    )
)

CONVERSION = register(
    Report(
        key="conversion",
        title="From offer to order",
        purpose="How many offers became orders.",
        columns=(
            Column("offers", "Offers", "count", "Offers priced on a day of the period, whatever became of them."),
            Column("ordered", "Ordered", "count", "Of these, the offers that were accepted, until now."),
            Column("open", "Open", "count", "Of these, the offers that may still be accepted."),
            Column("withdrawn", "Withdrawn", "count", "Of these, the offers that were taken back."),
            Column("expired", "Expired", "count", "Of these, the offers whose last day has passed."),
            Column("ordered_share", "Share ordered", "share", "Ordered over offers; it grows while some are open."),
        ),
        groupings=("branch", "person", "day", "week", "month"),
        figures=conversion,
        reconciled_with="the offers themselves (tests/reports/test_reports_selling.py)",
        permission=OrderPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("offers", "ordered")),
        drills=(Drill("/api/v1/quotes/", since="quoted_from", until="quoted_to"),),
    )
)

ORDERS_PLACED = register(
    Report(
        key="orders-placed",
        title="Orders placed",
        purpose="How many orders were placed, and what one is worth.",
        columns=(
            Column("orders", "Orders", "count", "Orders placed in the period."),
            Column("cancelled", "Cancelled", "count", "Of these, the orders that were cancelled, until now."),
            Column("value", "Value", "money", "The prices of the orders that stand, with tax."),
            Column("net_value", "Value, net", "money", "The same without tax."),
            Column("average_value", "Average value", "money", "Value over the orders that stand."),
        ),
        groupings=("branch", "person", "day", "week", "month"),
        figures=orders_placed,
        reconciled_with="the orders themselves (tests/reports/test_reports_selling.py)",
        permission=OrderPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("value",)),
        drills=(Drill("/api/v1/orders/", since="placed_from", until="placed_to"),),
    )
)
