"""Closing months: nothing is booked into a closed one, however many try at the moment it closes."""

from __future__ import annotations

import datetime as dt
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections, transaction

from opticshop.accounts.access import actor_for
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.errors import Busy, Forbidden, NotFound
from opticshop.core.models import OutboxEvent
from opticshop.ledger.models import Entry, Period
from opticshop.ledger.selectors import ledger_findings
from opticshop.ledger.services import (
    PeriodAlready,
    PeriodClosed,
    PeriodNotOver,
    ReopeningUnexplained,
    journal_reverse,
    period_close,
    period_reopen,
)

from .conftest import book

pytestmark = pytest.mark.django_db
FEBRUARY, LAST_DAY = dt.date(2026, 2, 1), dt.date(2026, 2, 28)
BOOKS = system("books")


def test_nothing_is_booked_into_a_closed_month(mill, quay):
    entry = book(mill, booked_on=LAST_DAY)
    period = period_close(actor=BOOKS, month=LAST_DAY, branch=mill)
    assert (period.month, period.is_closed) == (FEBRUARY, True)
    with pytest.raises(PeriodClosed):
        book(mill, booked_on=LAST_DAY)
    with pytest.raises(PeriodClosed):
        journal_reverse(actor=BOOKS, entry=entry, booked_on=LAST_DAY, reason="Typed twice")
    book(mill, booked_on=dt.date(2026, 3, 1))
    book(mill, booked_on=dt.date(2026, 1, 31))
    book(quay, booked_on=LAST_DAY)
    journal_reverse(actor=BOOKS, entry=entry, booked_on=dt.date(2026, 3, 2), reason="February's, corrected in March")
    told = OutboxEvent.objects.get(type="ledger.period_closed")
    assert (told.data["month"], told.branch_id) == ("2026-02", mill.id)


def test_a_month_closed_for_the_company_is_closed_in_every_branch(mill, quay):
    period_close(actor=BOOKS, month=FEBRUARY)
    for branch in (mill, quay):
        with pytest.raises(PeriodClosed):
            book(branch, booked_on=LAST_DAY)


def test_a_month_is_opened_again_with_a_reason_and_closed_again(mill):
    period = period_close(actor=BOOKS, month=FEBRUARY, branch=mill)
    with pytest.raises(PeriodAlready):
        period_close(actor=BOOKS, month=FEBRUARY, branch=mill)
    with pytest.raises(ReopeningUnexplained):
        period_reopen(actor=BOOKS, period=period, reason=" ")
    opened = period_reopen(actor=BOOKS, period=period, reason="An invoice came late")
    assert (opened.is_closed, opened.reason, opened.version) == (False, "An invoice came late", 2)
    with pytest.raises(PeriodAlready):
        period_reopen(actor=BOOKS, period=period, reason="Again")
    book(mill, booked_on=LAST_DAY)
    assert period_close(actor=BOOKS, month=FEBRUARY, branch=mill).id == period.id
    assert Period.objects.count() == 1
    assert OutboxEvent.objects.get(type="ledger.period_reopened").data["reason"] == "An invoice came late"


def test_a_month_is_closed_when_it_is_over_in_every_zone_concerned(mill, quay):
    with pytest.raises(PeriodNotOver):
        period_close(actor=BOOKS, month=dt.date(2026, 3, 1), branch=mill)
    quay.time_zone = "America/New_York"
    quay.save()
    with clock.at(dt.datetime(2026, 4, 1, 2, tzinfo=dt.UTC)):  # 22:00 on 31 March in New York
        period_close(actor=BOOKS, month=dt.date(2026, 3, 1), branch=mill)
        for branch in (quay, None):
            with pytest.raises(PeriodNotOver):
                period_close(actor=BOOKS, month=dt.date(2026, 3, 1), branch=branch)


def test_who_may_close(mill, quay, manager, outsider, bookkeeper):
    with pytest.raises(Forbidden):
        period_close(actor=actor_for(manager), month=FEBRUARY, branch=mill)
    with pytest.raises(NotFound):
        period_close(actor=actor_for(outsider), month=FEBRUARY, branch=mill)
    with pytest.raises(Forbidden):
        period_close(actor=actor_for(manager), month=FEBRUARY)
    period_close(actor=actor_for(bookkeeper), month=FEBRUARY)


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_closing_waits_for_the_booking_under_way_and_the_next_booking_for_the_closing(mill):
    """The order is forced: a booking is held open, the closing waits for it, another booking waits for the closing."""
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    booked, finish = threading.Event(), threading.Event()
    order: list[str] = []

    def first():
        with transaction.atomic():
            book(mill, booked_on=LAST_DAY)
            booked.set()
            assert finish.wait(20)
            order.append("booked")

    def closing():
        assert booked.wait(20)
        period_close(actor=BOOKS, month=FEBRUARY, branch=mill)
        order.append("closed")

    def second():
        assert booked.wait(20)
        time.sleep(0.3)  # behind the closing in the queue
        threading.Timer(0.2, finish.set).start()
        with pytest.raises(PeriodClosed):
            book(mill, booked_on=LAST_DAY)

    run_all([first, closing, second])
    assert order == ["booked", "closed"]
    assert not ledger_findings()


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_no_booking_slips_into_a_month_while_it_closes(mill, quay):
    """Eight clients book at two branches until they are told that the month is closed; then nothing was added."""
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    counted: list[int] = []

    def client(branch):
        def run():
            for _ in range(2000):
                try:
                    book(branch, booked_on=LAST_DAY)
                except PeriodClosed:
                    return
                except Busy:
                    continue
            pytest.fail("the month was never closed")

        return run

    def closing():
        time.sleep(0.4)
        period_close(actor=BOOKS, month=FEBRUARY)
        counted.append(Entry.objects.everywhere("test").count())

    clients = [client(branch) for branch in (mill, quay) for _ in range(4)]
    run_all([*clients, closing])
    assert counted == [Entry.objects.everywhere("test").count()]
    assert counted[0] > 0
    assert not ledger_findings()


def run_all(calls):
    def run(call):
        try:
            with clock.at(dt.datetime(2026, 3, 2, 12, tzinfo=dt.UTC)):
                return call()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(calls)) as pool:
        list(pool.map(run, calls))
