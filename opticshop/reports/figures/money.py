"""What is owed to customers, by customers and to the state, and what lies finished and uncollected.

Deposits and tax are read from the ledger, whose days they are; debts and pairs from the orders. All is in the currency
of the branch, and nothing is added across currencies.
"""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import DecimalField, F, OuterRef, Q, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from opticshop.billing.models import Payment, Settlement
from opticshop.billing.permissions import BillingPermission
from opticshop.core.percentiles import nearest_rank
from opticshop.core.sums import MoneySum
from opticshop.ledger.models import Line
from opticshop.ledger.permissions import LedgerPermission
from opticshop.orders.models import Order, OrderState
from opticshop.orders.permissions import OrderPermission
from opticshop.quality.figures import bounds_of, branches_by_zone

from ..registry import Chart, Column, Drill, Report, Row, Scope, register

WHY = "a report of branches whose figures the asker may see"
#: The last day of each age of a debt, in days since the supply; what is older comes last (common practice, no source).
AGES: tuple[tuple[str, int | None], ...] = (("up_to_30", 30), ("up_to_60", 60), ("up_to_90", 90), ("over_90", None))
_MONEY = DecimalField(max_digits=14, decimal_places=2)
_ZERO = Decimal(0)
#: Accounts whose change by tax code is the net on which tax fell due.
_TAXED = ("customer_deposits", "sales", "sales_exempt")
#: (label of the group, currency)
Key = tuple[str, str]


def deposits_owed(scope: Scope) -> list[Row]:
    """One row a group and currency: what was held for customers at the end of the last day. One query."""
    key = F("entry__branch__code") if scope.by == "branch" else Value("Total")
    lines = Line.objects.everywhere(WHY).filter(
        entry__branch__in=scope.branches, entry__booked_on__lte=scope.until, account__role="customer_deposits"
    )
    rows = {}
    sums = lines.annotate(group=key).order_by().values_list("group", "entry__currency")
    before = Q(entry__booked_on__lt=scope.since)
    for group, currency, *values in sums.annotate(
        before_credit=MoneySum("credit", filter=before),
        before_debit=MoneySum("debit", filter=before),
        taken=MoneySum("credit", filter=~before),
        settled=MoneySum("debit", filter=~before),
    ):
        credit, debit, taken, settled = (value or _ZERO for value in values)
        rows[group, currency] = {
            scope.by: group,
            "currency": currency,
            "opening": credit - debit,
            "taken": taken,
            "settled": settled,
            "owed": credit - debit + taken - settled,
        }
    return [rows[key] for key in sorted(rows)]


def aged_debt(scope: Scope) -> list[Row]:
    """One row a group and currency: what customers owed at the end of the last day, by days since they got the pair.

    One query a time zone.
    """
    rows: dict[Key, Row] = {}
    for zone, branches in branches_by_zone(scope.branches).items():
        _, end = bounds_of(zone, scope.until, scope.until)
        paid = Payment.objects.everywhere(WHY).filter(order=OuterRef("pk"), lowers_price=False, taken_at__lt=end)
        given_up = Settlement.objects.everywhere(WHY).filter(
            order=OuterRef("pk"), kind=Settlement.Kind.WRITE_OFF, settled_on__lte=scope.until
        )
        supplied = Order.objects.everywhere(WHY).filter(branch__in=branches, supply__supplied_on__lte=scope.until)
        owing = supplied.annotate(paid=_sum_of(paid), given_up=_sum_of(given_up)).exclude(
            total=F("paid") + F("given_up")
        )
        for code, currency, day, total, got, gone in owing.values_list(
            "branch__code", "currency", "supply__supplied_on", "total", "paid", "given_up"
        ):
            owed = (total - got - gone).quantize(Decimal("0.01"))
            if owed <= 0:
                continue
            label = code if scope.by == "branch" else "Total"
            nothing: Row = {"orders": 0, "owed": _ZERO, **{name: _ZERO for name, _ in AGES}}
            row = rows.setdefault((label, currency), {scope.by: label, "currency": currency, **nothing})
            row["orders"] += 1
            row["owed"] += owed
            row[_age((scope.until - day).days)] += owed
    return [rows[key] for key in sorted(rows)]


def tax_summary(scope: Scope) -> list[Row]:
    """One row a group and currency of the tax that fell due in the period. One query."""
    key = {"rate": F("tax_code"), "branch": F("entry__branch__code")}.get(scope.by, Value("Total"))
    lines = Line.objects.everywhere(WHY).filter(
        entry__branch__in=scope.branches,
        entry__booked_on__range=(scope.since, scope.until),
        account__role__in=(*_TAXED, "output_tax"),
    )
    is_tax = Q(account__role="output_tax")
    rows = []
    for group, currency, *values in (
        lines.annotate(group=key)
        .order_by()
        .values_list("group", "entry__currency")
        .annotate(
            tax_credit=MoneySum("credit", filter=is_tax),
            tax_debit=MoneySum("debit", filter=is_tax),
            net_credit=MoneySum("credit", filter=~is_tax),
            net_debit=MoneySum("debit", filter=~is_tax),
        )
    ):
        tax_credit, tax_debit, net_credit, net_debit = (value or _ZERO for value in values)
        rows.append(
            {
                scope.by: group,
                "currency": currency,
                "net": net_credit - net_debit,
                "tax": tax_credit - tax_debit,
            }
        )
    return sorted(rows, key=lambda row: (row[scope.by], row["currency"]))


def uncollected(scope: Scope) -> list[Row]:
    """One row a group and currency: the pairs that lay ready at the end of the last day. One query a time zone."""
    waits: dict[Key, list[int]] = defaultdict(list)
    values: dict[Key, Decimal] = defaultdict(Decimal)
    for zone, branches in branches_by_zone(scope.branches).items():
        _, end = bounds_of(zone, scope.until, scope.until)
        lying = Order.objects.everywhere(WHY).filter(branch__in=branches, ready_at__lt=end)
        lying = lying.filter(Q(state=OrderState.READY) | Q(state=OrderState.COLLECTED, collected_at__gte=end))
        for code, currency, ready_at, total in lying.values_list("branch__code", "currency", "ready_at", "total"):
            key = code if scope.by == "branch" else "Total", currency
            assert ready_at is not None  # by the filter
            waits[key].append((scope.until - ready_at.astimezone(ZoneInfo(zone)).date()).days)
            values[key] += total
    return [
        {
            scope.by: label,
            "currency": currency,
            "pairs": len(waits[label, currency]),
            "value": values[label, currency],
            "waiting_p50_days": nearest_rank(waits[label, currency], 50),
            "longest_days": max(waits[label, currency]),
            "over_30": sum(days > 30 for days in waits[label, currency]),
        }
        for label, currency in sorted(waits)
    ]


def _sum_of(rows: Any) -> Any:
    sums = rows.order_by().values("order").annotate(sum=Sum("amount")).values("sum")
    return Coalesce(Subquery(sums, output_field=_MONEY), Value(_ZERO, output_field=_MONEY))


def _age(days: int) -> str:
    return next(name for name, last in AGES if last is None or days <= last)


DEPOSITS_OWED = register(
    Report(
        key="deposits-owed",
        title="Deposits owed",
        purpose="What customers have paid for pairs that they did not get yet, without the tax in it.",
        columns=(
            Column("opening", "At the beginning", "money", "Held at the beginning of the first day, without tax."),
            Column("taken", "Taken", "money", "What came to be held in the period."),
            Column("settled", "Settled", "money", "What became sales, was given back or was kept in the period."),
            Column("owed", "Owed", "money", "Held at the end of the last day: the balance of the deposits account."),
        ),
        groupings=("branch",),
        figures=deposits_owed,
        reconciled_with="the deposits held for orders, less their tax (tests/reports/test_reports_money.py)",
        permission=LedgerPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("owed",)),
        drills=(Drill("/api/v1/journal-entries/", since="booked_from", until="booked_to"),),
    )
)

AGED_DEBT = register(
    Report(
        key="aged-debt",
        title="Aged debt",
        purpose="What customers owe for pairs that they have, by how long they have had them.",
        columns=(
            Column(
                "orders", "Orders", "count", "Orders supplied by the end of the last day on which something is owed."
            ),
            Column("owed", "Owed", "money", "Their prices less what was paid and what was written off by then."),
            Column("up_to_30", "0 to 30 days", "money", "Owed on pairs that were supplied up to 30 days before."),
            Column("up_to_60", "31 to 60 days", "money", "Owed on pairs that were supplied 31 to 60 days before."),
            Column("up_to_90", "61 to 90 days", "money", "Owed on pairs that were supplied 61 to 90 days before."),
            Column("over_90", "Over 90 days", "money", "Owed on pairs that were supplied more than 90 days before."),
        ),
        groupings=("branch",),
        figures=aged_debt,
        reconciled_with="the balance of the customers' account in the ledger (tests/reports/test_reports_money.py)",
        permission=BillingPermission.VIEW,
        is_heavy=True,
        chart=Chart(kind="stacked", x="by", y=tuple(name for name, _ in AGES)),
        drills=(Drill("/api/v1/orders/", until="supplied_to"),),
    )
)

TAX_SUMMARY = register(
    Report(
        key="tax-summary",
        title="Tax summary",
        purpose="The tax on sales that fell due, by rate. The company's adviser and local law come first.",
        columns=(
            Column(
                "net", "Net", "money", "What tax fell due on: deposits and sales as booked, less what was given back."
            ),
            Column("tax", "Tax", "money", "The tax itself: the change of the account of tax owed."),
        ),
        groupings=("rate", "branch"),
        figures=tax_summary,
        reconciled_with="the trial balance of the ledger (tests/reports/test_reports_money.py)",
        permission=LedgerPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("tax",)),
        drills=(Drill("/api/v1/journal-entries/", since="booked_from", until="booked_to"),),
    )
)

UNCOLLECTED = register(
    Report(
        key="uncollected",
        title="Uncollected",
        purpose="Pairs that lie finished and wait for their customers.",
        columns=(
            Column("pairs", "Pairs", "count", "Pairs that were ready and not collected at the end of the last day."),
            Column("value", "Value", "money", "Their prices with tax."),
            Column(
                "waiting_p50_days", "Half wait up to, days", "days", "Days since ready, the pair at the nearest rank."
            ),
            Column("longest_days", "Longest wait, days", "days", "Days since ready of the pair that waits longest."),
            Column("over_30", "Over 30 days", "count", "Of these, the pairs that were ready more than 30 days before."),
        ),
        groupings=("branch",),
        figures=uncollected,
        reconciled_with="the orders themselves (tests/reports/test_reports_money.py)",
        permission=OrderPermission.VIEW,
        chart=Chart(kind="bars", x="by", y=("pairs",)),
        drills=(Drill("/api/v1/orders/", until="uncollected_on"),),
    )
)
