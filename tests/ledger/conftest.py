"""A bookkeeper's desk: a way to book with little to write. All figures are invented."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from opticshop.branches.models import Branch
from opticshop.core.actor import system
from opticshop.ledger.chart import BY_ROLE
from opticshop.ledger.models import Entry
from opticshop.ledger.services import Posting, accounts_of, journal_post

DAY = dt.date(2026, 3, 2)
_counter = itertools.count(1)


def debit(role: str, amount: str, **more: Any) -> Posting:
    return Posting(role, debit=Decimal(amount), **more)


def credit(role: str, amount: str, **more: Any) -> Posting:
    return Posting(role, credit=Decimal(amount), **more)


#: A pair paid by card: 160.00 taxable with 20 % within, 60.00 exempt (the figures of the factories' ordinary pair).
SALE = (
    debit("card_clearing", "220.00"),
    credit("sales", "133.33", tax_code="standard"),
    credit("output_tax", "26.67", tax_code="standard"),
    credit("sales_exempt", "60.00", tax_code="exempt"),
)


def book(branch: Branch, *postings: Posting, **more: Any) -> Entry:
    details = {
        "booked_on": DAY,
        "purpose": "sale",
        "document": f"orders/{next(_counter)}",
        "description": "A pair sold (invented)",
        "postings": postings or SALE,
    }
    return journal_post(actor=system("tests"), branch=branch, **details | more)


@pytest.fixture(autouse=True)
def chart(db: Any) -> None:
    """As the migration lays it out: tests that commit leave the tables empty behind them."""
    accounts_of(set(BY_ROLE))


@pytest.fixture
def sale(mill: Branch) -> Callable[..., Entry]:
    """``sale()`` books the ordinary sale at Millrace."""
    return lambda **more: book(mill, **more)
