"""Booking: in balance, once, numbered without gaps, never changed."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from threading import Barrier

import pytest
from django.db import DatabaseError, connection, connections, transaction
from django.db.models import Sum

from opticshop.branches.models import NumberSeries
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.ledger.chart import CHART
from opticshop.ledger.models import Account, Entry, Line
from opticshop.ledger.selectors import ledger_findings
from opticshop.ledger.services import (
    AlreadyBooked,
    AlreadyReversed,
    AmountNotBookable,
    EntryEmpty,
    EntryUnbalanced,
    ReversalUnexplained,
    accounts_of,
    journal_reverse,
)

from .conftest import DAY, book, credit, debit

pytestmark = pytest.mark.django_db


def lines(entry):
    rows = Line.objects.everywhere("test").filter(entry=entry).select_related("account").order_by("line_no")
    return [(row.account.role, row.debit, row.credit) for row in rows]


def entries():
    return Entry.objects.everywhere("test")


def test_an_entry_is_booked_as_it_was_asked_for_and_told(sale):
    entry = sale(document="payments/1", reference="MILL-R-2026-00001")
    assert (entry.number, entry.total, entry.line_count) == ("MILL-E-2026-00001", Decimal("220.00"), 4)
    assert (entry.currency, entry.by_label, entry.reference) == ("GBP", "system:tests", "MILL-R-2026-00001")
    assert lines(entry) == [
        ("card_clearing", Decimal("220.00"), Decimal(0)),
        ("sales", Decimal(0), Decimal("133.33")),
        ("output_tax", Decimal(0), Decimal("26.67")),
        ("sales_exempt", Decimal(0), Decimal("60.00")),
    ]
    told = OutboxEvent.objects.get(type="ledger.entry_posted")
    assert told.subject == f"journal-entries/{entry.id}"
    assert (told.data["document"], told.data["total"], told.data["currency"]) == ("payments/1", "220.00", "GBP")


@pytest.mark.parametrize(
    ("postings", "refusal"),
    [
        ([debit("cash", "10.00"), credit("sales", "9.99")], EntryUnbalanced),
        ([debit("cash", "10.00")], EntryUnbalanced),
        ([debit("cash", "0.00"), credit("sales", "0.00")], EntryEmpty),
        ([debit("cash", "10.001"), credit("sales", "10.001")], AmountNotBookable),
        ([debit("cash", "-10.00"), credit("sales", "-10.00")], AmountNotBookable),
        ([debit("cash", "NaN"), credit("sales", "1.00")], AmountNotBookable),
    ],
    ids=["a cent off", "one side", "nothing", "finer than a penny", "negative", "no number"],
)
def test_what_cannot_be_booked_is_refused_and_uses_no_number(mill, postings, refusal):
    with pytest.raises(refusal):
        book(mill, *postings)
    assert not entries().exists()
    assert not NumberSeries.objects.filter(kind="E").exists()
    assert not OutboxEvent.objects.exists()


def test_one_line_does_not_stand_on_both_sides(mill):
    both = debit("cash", "1.00").__class__("cash", debit=Decimal(1), credit=Decimal(1))
    with pytest.raises(AmountNotBookable):
        book(mill, both, both)


def test_the_smallest_coin_is_the_currencys(mill):
    mill.currency = "JPY"
    with pytest.raises(AmountNotBookable):
        book(mill, debit("cash", "100.50"), credit("sales", "100.50"))
    assert book(mill, debit("cash", "100"), credit("sales", "100")).currency == "JPY"


def test_postings_of_nothing_are_left_out(mill):
    entry = book(mill, debit("cash", "5.00"), credit("sales", "5.00"), credit("output_tax", "0.00"))
    assert entry.line_count == 2


def test_a_document_is_booked_once_for_a_purpose(mill):
    first = book(mill, document="payments/7")
    with pytest.raises(AlreadyBooked, match=first.number):
        book(mill, document="payments/7")
    book(mill, document="payments/7", purpose="tax point")
    assert list(entries().order_by("id").values_list("number", flat=True)) == ["MILL-E-2026-00001", "MILL-E-2026-00002"]


def test_numbers_have_no_gaps_where_a_booking_failed_or_was_rolled_back(mill, quay):
    book(mill)
    with transaction.atomic():
        book(mill)
        transaction.set_rollback(True)
    book(quay)
    assert book(mill).number == "MILL-E-2026-00002"


def test_a_reversal_is_the_mirror_and_comes_once(mill):
    entry = book(mill)
    mirror = journal_reverse(
        actor=system("tests"), entry=entry, booked_on=DAY + dt.timedelta(days=1), reason="Typed twice"
    )
    assert lines(mirror) == [(role, credited, debited) for role, debited, credited in lines(entry)]
    assert (mirror.document, mirror.reverses_id, mirror.booked_on.day) == (entry.document, entry.id, 3)
    for again in (entry, mirror):
        with pytest.raises(AlreadyReversed):
            journal_reverse(actor=system("tests"), entry=again, booked_on=DAY, reason="Again")
    with pytest.raises(ReversalUnexplained):
        journal_reverse(actor=system("tests"), entry=book(mill), booked_on=DAY, reason="  ")
    assert book(mill).number == "MILL-E-2026-00004"


def test_the_database_refuses_changes(mill):
    entry = book(mill)
    for rows, change in (
        (entries(), {"description": "else"}),
        (Line.objects.everywhere("test"), {"debit": Decimal(1)}),
    ):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows.update(**change)
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows.order_by("-pk")._raw_delete(rows.db)
    assert entries().get().description == entry.description


def test_a_line_has_one_side(mill):
    entry = book(mill)
    cash = accounts_of({"cash"})["cash"]
    for sides in ({"debit": 1, "credit": 1}, {}, {"debit": -1}):
        with pytest.raises(DatabaseError), transaction.atomic():
            Line.objects.create(entry=entry, line_no=9, account=cash, **sides)


@pytest.mark.skipif(connection.vendor != "postgresql", reason="deferred triggers are PostgreSQL's")
@pytest.mark.django_db(transaction=True)
def test_postgresql_refuses_to_commit_what_is_out_of_balance(mill):
    entry = book(mill)
    cash = accounts_of({"cash"})["cash"]
    with pytest.raises(DatabaseError, match="does not balance"), transaction.atomic():
        Line.objects.create(entry=entry, line_no=9, account=cash, debit=Decimal("0.01"))
    lonely = Entry(
        branch=mill,
        number="MILL-E-2026-99999",
        booked_on=DAY,
        purpose="none",
        document="none/1",
        currency="GBP",
        total=Decimal(1),
        line_count=2,
    )
    with pytest.raises(DatabaseError, match="does not balance"), transaction.atomic():
        lonely.save(force_insert=True)
    assert entries().count() == 1


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_one_event_told_to_eight_clients_at_once_is_booked_once(mill):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite lets one transaction write at a time")
    gate = Barrier(8)

    def client(_):
        try:
            gate.wait(timeout=20)
            return book(mill, document="payments/7").number
        except AlreadyBooked:
            return None
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        numbers = [number for number in pool.map(client, range(8)) if number]
    assert len(numbers) == entries().count() == 1
    assert not ledger_findings()


def test_codes_and_roles_of_the_chart_are_unique_and_a_missing_account_comes_when_needed(mill):
    assert len({row.code for row in CHART}) == len({row.role for row in CHART}) == len(CHART)
    Account.objects.filter(role="goodwill").delete()
    book(mill, debit("goodwill", "1.00"), credit("cash", "1.00"))
    assert Account.objects.get(role="goodwill").code == "5020"
    with pytest.raises(KeyError):
        book(mill, debit("petty cash", "1.00"), credit("cash", "1.00"))


def test_booking_costs_the_same_however_many_lines(mill, queries):
    two = (debit("cash", "3.00"), credit("sales", "3.00"))
    many = (debit("cash", "3.00"), *(credit("sales", "0.10") for _ in range(30)))
    book(mill)
    assert queries(lambda: book(mill, *many)) == queries(lambda: book(mill, *two)) <= 14
    totals = Line.objects.everywhere("test").aggregate(debit=Sum("debit"), credit=Sum("credit"))
    assert totals["debit"] == totals["credit"]
