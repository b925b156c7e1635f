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
from opticshop.quality.figures import SPANS, bounds_of, branches_by_zone, span_label, span_of
from opticshop.stock.models import Movement, Reservation

from ..facts.models import OfferFact, OrderFact, SalesFact
from ..facts.reading import Counts, Kind, add, counted, keep
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


def _sales(scope: Scope) -> Counts:
    """Three queries, and two more for each ``AT_ONCE`` orders."""
    rows: Counts = {}
    for label, currency, pairs, gross, tax in _supplied(scope):
        row = _sales_row(rows, label, currency)
        row["pairs"] += pairs
        row["supplied_net"] += gross - tax
    for label, currency, given_back in _given_back(scope):
        _sales_row(rows, label, currency)["given_back"] += given_back
    if scope.by not in _OF_LINES:
        for label, currency, cost, is_known in _costs(scope):
            row = _sales_row(rows, label, currency)
            row["cost"] += cost
            row["cost_not_known"] += not is_known
    return rows


def _offers(scope: Scope) -> Counts:
    """One query."""
    offers = Quotation.objects.everywhere(WHY).filter(
        branch__in=scope.branches, quoted_on__range=(scope.since, scope.until)
    )
    groups = offers.annotate(group=_by_day(scope.by, "quoted_on", "quoted_by")).order_by().values_list("group")
    rows: Counts = {}
    counts = groups.annotate(
        offers=Count("id"),
        ordered=Count("id", filter=Q(state=QuotationState.ACCEPTED)),
        open=Count("id", filter=Q(state=QuotationState.OPEN)),
        withdrawn=Count("id", filter=Q(state=QuotationState.WITHDRAWN)),
        expired=Count("id", filter=Q(state=QuotationState.EXPIRED)),
    )
    for group, *values in counts:
        if values[0]:  # of no offers the database gives a total all the same
            rows[_label(group, scope.by), ""] = dict(zip(OFFER_FACTS.columns, values, strict=True))
    return rows


def _orders(scope: Scope) -> Counts:
    """One query a time zone."""
    rows: Counts = {}
    for zone, branches in branches_by_zone(scope.branches).items():
        start, end = bounds_of(zone, scope.since, scope.until)
        placed = Order.objects.everywhere(WHY).filter(branch__in=branches, placed_at__gte=start, placed_at__lt=end)
        key = span_of("placed_at", scope.by, zone) if scope.by in SPANS else _plain_key(scope.by, "", "placed_by")
        groups = placed.annotate(group=key).order_by().values_list("group", "currency")
        stands = ~Q(state=OrderState.CANCELLED)
        for group, currency, count, cancelled, value, tax in groups.annotate(
            count=Count("id"),
            cancelled=Count("id", filter=~stands),
            value=MoneySum("total", filter=stands),
            taxes=MoneySum("tax_total", filter=stands),
        ):
            worth = value or Decimal(0)
            counts = {"orders": count, "cancelled": cancelled, "value": worth, "net_value": worth - (tax or 0)}
            add(rows, {(_label(group, scope.by), currency): counts})
    return rows


def _supplied(scope: Scope) -> Iterator[tuple[str, str, int, Decimal, Decimal]]:
    """(label, currency, orders, gross, tax) of what was supplied. One query."""
    if scope.by in _OF_LINES:
        lines = OrderLine.objects.filter(
            order__supply__branch__in=scope.branches, order__supply__supplied_on__range=(scope.since, scope.until)
        )
        groups = lines.order_by().values_list(_OF_LINES[scope.by], "order__currency")
        for group, currency, pairs, gross, tax in groups.annotate(
            pairs=Count("order_id", distinct=True), gross_sum=MoneySum("gross"), tax_sum=MoneySum("tax")
        ):
            yield _label(group, scope.by), currency, pairs, gross, tax
        return
    found = _supplies(scope).order_by().values_list("group", "currency")
    for group, currency, pairs, gross, tax in found.annotate(
        pairs=Count("id"), gross=MoneySum("order__total"), tax=MoneySum("order__tax_total")
    ):
        yield _label(group, scope.by), currency, pairs, gross, tax


def _supplies(scope: Scope) -> QuerySet[Any]:
    supplies = Supply.objects.everywhere(WHY).filter(
        branch__in=scope.branches, supplied_on__range=(scope.since, scope.until)
    )
    return supplies.annotate(group=_by_day(scope.by, "supplied_on", "order__placed_by"))


def _given_back(scope: Scope) -> Iterator[tuple[str, str, Decimal]]:
    """(label, currency, net) given back of sales on the day it was booked: debits of the sales accounts."""
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
    for group, currency, net in (
        lines.annotate(group=key).order_by().values_list("group", "entry__currency").annotate(net=MoneySum("debit"))
    ):
        yield _label(group, scope.by) if group != NOT_DIVIDED else group, currency, net


def _costs(scope: Scope) -> Iterator[tuple[str, str, Decimal, bool]]:
    """(label, currency, cost, whether it is known) of each order supplied in the period: all pieces that it took from
    stock, also for remakes.

    The cost is known where each lens, and the frame unless it is the customer's, was taken from stock that is kept in
    the currency of the order. Pieces kept in another currency are not added.
    """
    orders: dict[str, tuple[str, str, int]] = {}
    supplies = _supplies(scope).annotate(lenses=Count("order__lenses")).order_by()
    for order_id, group, currency, is_customers, lenses in supplies.values_list(
        "order_id", "group", "order__currency", "order__frame_is_customers", "lenses"
    ):
        orders[f"orders/{order_id}"] = _label(group, scope.by), currency, lenses + (not is_customers)
    names = list(orders)
    for start in range(0, len(names), AT_ONCE):
        some = names[start : start + AT_ONCE]
        parts = Reservation.objects.everywhere(WHY).filter(document__in=some, state__in=_TAKEN).order_by()
        taken: dict[str, set[str]] = defaultdict(set)
        for document, part, currency in parts.values_list("document", "part", "branch__currency"):
            if currency == orders[document][1]:
                taken[document].add(part)
        costs: dict[str, Decimal] = defaultdict(Decimal)
        moved = Movement.objects.everywhere(WHY).filter(document__in=some, kind=Movement.Kind.CONSUMPTION)
        for document, currency, cost in (
            moved.order_by()
            .values_list("document", "branch__currency")
            .annotate(cost=Sum(F("unit_cost") * -F("on_hand_change")))
        ):
            if currency == orders[document][1]:
                costs[document] = Decimal(cost).quantize(Decimal("0.01"))
        for document in some:
            label, currency, needed = orders[document]
            yield label, currency, costs[document], len(taken[document]) == needed


def _sales_row(rows: Counts, label: str, currency: str) -> dict[str, Any]:
    zero = Decimal(0)
    nothing = {"pairs": 0, "supplied_net": zero, "given_back": zero, "cost": zero, "cost_not_known": 0}
    return rows.setdefault((label, currency), nothing)


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
