"""What the journal says, for tests that compare it with what the test itself did."""

from __future__ import annotations

from decimal import Decimal as D
from typing import Any

from django.db.models import Sum

from opticshop.billing import selectors
from opticshop.billing.models import TillDay
from opticshop.ledger.models import Entry, Line


def balance(role: str, **where: Any) -> D:
    """Debits less credits of an account."""
    lines = Line.objects.everywhere("test").filter(account__role=role, **where)
    sums = lines.aggregate(debit=Sum("debit"), credit=Sum("credit"))
    return (sums["debit"] or D(0)) - (sums["credit"] or D(0))


def journal(document: str) -> dict[str, D]:
    """Account role -> debit less credit, of what was booked for a document."""
    found: dict[str, D] = {}
    lines = Line.objects.everywhere("test").filter(entry__document=document).select_related("account")
    for line in lines:
        found[line.account.role] = found.get(line.account.role, D(0)) + line.debit - line.credit
    return {role: amount for role, amount in found.items() if amount}


def unbalanced() -> list[str]:
    """Numbers of entries whose debits are not their credits."""
    entries = Entry.objects.everywhere("test").annotate(debit=Sum("lines__debit"), credit=Sum("lines__credit"))
    return [entry.number for entry in entries if entry.debit != entry.credit or entry.debit != entry.total]


def cash_in_tills() -> D:
    """By the tills themselves: what should be in an open one, what a closed one left."""
    last: dict[tuple[Any, str], TillDay] = {}
    for day in TillDay.objects.everywhere("test").order_by("day"):
        last[day.branch_id, day.till] = day
    return sum(
        (selectors.expected_cash(day) if day.left_over is None else day.left_over for day in last.values()), D(0)
    )
