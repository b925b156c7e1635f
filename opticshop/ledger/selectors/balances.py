"""The trial balance: what was booked to each account, and that both sides are equal."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Q, Sum

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor

from ..models import Account, Line
from ..permissions import LedgerPermission

_ZERO, _CENT = Decimal(0), Decimal("0.01")


@dataclass(frozen=True, slots=True)
class TrialRow:
    """An account in one currency: its balance before the days asked for, both sides within, its balance after.

    Balances are debit less credit. ``tax_code`` is None where the codes are not told apart.
    """

    code: str
    name: str
    kind: str
    currency: str
    tax_code: str | None
    opening: Decimal
    debit: Decimal
    credit: Decimal

    @property
    def closing(self) -> Decimal:
        return self.opening + self.debit - self.credit


def trial_balance(
    actor: Actor,
    *,
    branch: Branch | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
    by_tax_code: bool = False,
) -> list[TrialRow]:
    """Every account that was booked to until the last day, by code; of one branch or all that the actor may see."""
    lines = Line.objects.visible_to(actor, LedgerPermission.VIEW)
    if branch is not None:
        lines = lines.filter(entry__branch=branch)
    if last is not None:
        lines = lines.filter(entry__booked_on__lte=last)
    within = Q() if first is None else Q(entry__booked_on__gte=first)
    before = Q(pk__in=[]) if first is None else Q(entry__booked_on__lt=first)
    keys = ["account_id", "entry__currency", *(["tax_code"] if by_tax_code else [])]
    sums = lines.order_by().values(*keys)
    found = sums.annotate(
        debit_within=Sum("debit", filter=within),
        credit_within=Sum("credit", filter=within),
        debit_before=Sum("debit", filter=before),
        credit_before=Sum("credit", filter=before),
    )
    accounts = Account.objects.in_bulk()
    rows = [_row(accounts[each["account_id"]], each) for each in found]
    return sorted(rows, key=lambda row: (row.currency, row.code, row.tax_code or ""))


def _row(account: Account, sums: Mapping[str, Any]) -> TrialRow:
    """SQLite adds up in binary: whole cents again."""
    debit, credit, debit_before, credit_before = (
        (sums[name] or _ZERO).quantize(_CENT)
        for name in ("debit_within", "credit_within", "debit_before", "credit_before")
    )
    return TrialRow(
        account.code,
        account.name,
        account.kind,
        sums["entry__currency"],
        sums.get("tax_code"),
        debit_before - credit_before,
        debit,
        credit,
    )
