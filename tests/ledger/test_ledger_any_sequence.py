"""Whatever is booked, reversed, refused and handed out, in whatever order: the ledger holds and debits are credits."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from decimal import Decimal

import pytest
from beancount import loader
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.core.errors import Conflict, Invalid
from opticshop.ledger.chart import BY_ROLE
from opticshop.ledger.models import Entry
from opticshop.ledger.selectors import journal_entries, ledger_findings, trial_balance
from opticshop.ledger.services import (
    Posting,
    entries_settle,
    export_make,
    export_pieces,
    journal_reverse,
    period_close,
)
from opticshop.pluginhost.services import ledger_exporter
from tests.factories import BranchFactory

from .conftest import book

ACTOR = system("any sequence")
CENTS = st.integers(1, 10**9)
POSTING = st.tuples(st.sampled_from(sorted(BY_ROLE)), st.booleans(), CENTS)
DAYS = st.dates(dt.date(2025, 12, 1), dt.date(2026, 3, 2))
STEP = st.one_of(
    st.tuples(st.just("book"), st.lists(POSTING, min_size=1, max_size=5), DAYS, st.booleans()),
    st.tuples(st.just("reverse"), st.integers(0, 20), DAYS, st.just(None)),
    st.tuples(st.just("close"), st.integers(0, 2), DAYS, st.just(None)),
    st.tuples(st.just("export"), st.sampled_from(["journal-csv", "plain-text-books"]), DAYS, st.booleans()),
)


def balanced(postings, is_off):
    """The postings with one more that brings them into balance; ``is_off`` leaves them a cent out."""
    sides = [
        Posting(role, **{"debit" if is_debit else "credit": Decimal(cents) / 100}) for role, is_debit, cents in postings
    ]
    difference = sum((side.debit - side.credit for side in sides), Decimal(0)) + (Decimal("0.01") if is_off else 0)
    last = Posting("receivables", debit=max(-difference, Decimal(0)), credit=max(difference, Decimal(0)))
    return [*sides, last]


def take(step, branches, booked):
    what, detail, day, flag = step
    if what == "book":
        booked.append(book(branches[len(detail) % 2], *balanced(detail, is_off=flag), booked_on=day))
    elif what == "reverse" and booked:
        journal_reverse(actor=ACTOR, entry=booked[detail % len(booked)], booked_on=day, reason="any")
    elif what == "close":
        period_close(actor=ACTOR, month=day, branch=[*branches, None][detail])
    elif what == "export":
        export_make(actor=ACTOR, exporter=detail, branch=branches[0] if flag else None)


@pytest.mark.django_db
@settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(steps=st.lists(STEP, min_size=1, max_size=15))
def test_debits_are_credits_whatever_is_done(steps):
    with transaction.atomic():  # undone after each example: hypothesis runs many in one test
        branches = [BranchFactory(code="MILL"), BranchFactory(code="QUAY")]
        booked: list[Entry] = []
        for step in steps:
            with suppress(Invalid, Conflict):
                take(step, branches, booked)
        rows = trial_balance(ACTOR)
        assert sum((row.closing for row in rows), Decimal(0)) == 0
        assert sum(row.debit for row in rows) == sum(row.credit for row in rows)
        assert not ledger_findings(export_pieces)
        if Entry.objects.everywhere("test").exists():
            text = b"".join(whole_journal())
            assert loader.load_string(text.decode())[1] == []
        transaction.set_rollback(True)


def whole_journal():
    """What is in no batch of the group yet and what is, as one file."""
    entries = journal_entries(branch_id=None, after=0, upto=entries_settle())
    return ledger_exporter(branch=None, name="plain-text-books").export(entries)
