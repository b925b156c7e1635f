"""Batches of the journal: each entry once, the same bytes each time, judged by beancount from outside."""

from __future__ import annotations

import csv
import hashlib
import io
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from decimal import Decimal

import pytest
from beancount import loader
from beancount.core.data import Balance, Transaction
from django.db import DatabaseError, connection, connections, transaction

from opticshop.accounts.access import actor_for
from opticshop.core.actor import system
from opticshop.core.errors import Forbidden
from opticshop.core.models import OutboxEvent
from opticshop.ledger.models import Entry, EntryPosition, JournalExport
from opticshop.ledger.selectors import ledger_findings, streaming, trial_balance
from opticshop.ledger.services import NothingToExport, entries_settle, export_make, export_pieces, journal_reverse
from opticshop.pluginhost.errors import PluginNotAvailable

from .conftest import DAY, book, credit, debit

pytestmark = pytest.mark.django_db
BOOKS = system("books")


def export(exporter="journal-csv", branch=None):
    return export_make(actor=BOOKS, exporter=exporter, branch=branch)


def bytes_of(batch):
    return b"".join(export_pieces(batch))


def numbers_in(batch):
    rows = list(csv.DictReader(io.StringIO(bytes_of(batch).decode(), newline="")))
    return list(dict.fromkeys(row["entry_id"] for row in rows))


def test_a_batch_holds_what_is_new_and_says_what_it_holds(mill, quay):
    sale, other = book(mill), book(quay, debit("cash", "10.00"), credit("sales_exempt", "10.00"))
    batch = export()
    assert (batch.entry_count, batch.line_count, batch.totals) == (2, 6, {"GBP": "230.00"})
    assert (batch.after_position, batch.upto_position, batch.booked_from) == (0, 2, DAY)
    assert (batch.file_name, batch.media_type) == ("group-journal-csv-2.csv", "text/csv")
    assert batch.made_by.startswith("opticshop-bookkeeping-files ")
    assert numbers_in(batch) == [sale.number, other.number]
    content = bytes_of(batch)
    assert (hashlib.sha256(content).hexdigest(), len(content)) == (batch.sha256, batch.byte_count)
    assert OutboxEvent.objects.get(type="ledger.exported").data["entries"] == 2
    with pytest.raises(NothingToExport):
        export()
    later = book(mill)
    assert numbers_in(export()) == [later.number]
    assert bytes_of(batch) == content


def test_each_exporter_and_scope_has_each_entry_once(mill, quay):
    scopes = [("journal-csv", None), ("journal-csv", mill), ("journal-csv", quay), ("plain-text-books", mill)]
    for _ in range(3):
        book(mill)
        book(quay)
        for exporter, branch in scopes:
            export(exporter, branch)
    for exporter, branch in scopes:
        batches = JournalExport.objects.everywhere("test").filter(exporter=exporter, branch=branch)
        expected = Entry.objects.everywhere("test").order_by("settled__position")
        expected = expected.filter(branch=branch) if branch else expected
        if exporter == "journal-csv":
            found = [number for batch in batches.order_by("id") for number in numbers_in(batch)]
            assert found == list(expected.values_list("number", flat=True))
        assert sum(batch.entry_count for batch in batches) == expected.count()
    assert not ledger_findings(export_pieces)


def test_a_branch_without_news_has_no_batch_and_misses_nothing_later(mill, quay):
    book(mill)
    export()
    with pytest.raises(NothingToExport):
        export(branch=quay)
    late = book(quay)
    assert numbers_in(export(branch=quay)) == [late.number]


def test_the_journal_is_read_in_strides_however_few_of_them_are_the_branchs(mill, quay, monkeypatch, queries):
    monkeypatch.setattr(streaming, "STRIDE", 3)
    for number in range(10):
        book(quay if number in {2, 9} else mill)
    assert len(numbers_in(export(branch=quay))) == 2
    batch = export()
    assert len(numbers_in(batch)) == 10
    monkeypatch.setattr(streaming, "STRIDE", 1000)
    assert queries(lambda: bytes_of(batch)) == 5, "settings of the plugin, chart; positions, entries and lines a stride"


def test_the_plain_text_form_is_believed_by_beancount_and_agrees_with_the_trial_balance(mill, quay):
    sale = book(mill, document="orders/1", reference="MILL-R-2026-00001")
    book(quay, debit("cash", "99.99"), credit("sales", "83.32"), credit("output_tax", "16.67"))
    journal_reverse(actor=BOOKS, entry=sale, booked_on=DAY, reason="=1+1, said the spreadsheet")
    text = bytes_of(export("plain-text-books")).decode()
    directives, errors, _ = loader.load_string(text)
    assert errors == []
    transactions = [one for one in directives if isinstance(one, Transaction)]
    assert [one.payee for one in transactions] == ["MILL-E-2026-00001", "QUAY-E-2026-00001", "MILL-E-2026-00002"]
    assert transactions[2].meta["reverses"] == sale.number
    balances = {one.account.split(":")[1][:4]: one.amount.number for one in directives if isinstance(one, Balance)}
    assert balances == {row.code: row.closing for row in trial_balance(BOOKS)}
    wrong = text.replace("99.99 GBP", "99.98 GBP")
    assert wrong != text
    assert any("does not balance" in error.message for error in loader.load_string(wrong)[1])


def test_positions_and_batches_are_never_changed(mill):
    book(mill)
    export()
    for model in (EntryPosition, JournalExport):
        rows = model.objects.everywhere("test")
        field = "position" if model is EntryPosition else "byte_count"
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            rows.update(**{field: 7})


def test_who_may_export_what(mill, manager, bookkeeper):
    book(mill)
    for branch in (mill, None):
        with pytest.raises(Forbidden):
            export_make(actor=actor_for(manager), exporter="journal-csv", branch=branch)
    export_make(actor=actor_for(bookkeeper), exporter="journal-csv")
    with pytest.raises(PluginNotAvailable):
        export("nobody-brings-this")


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_an_entry_committed_late_is_in_the_next_batch(mill, quay):
    """Its id is older than that of an entry handed out before it could be seen."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite lets one transaction write at a time")
    booked, exported = threading.Event(), threading.Event()

    def late():
        try:
            with transaction.atomic():
                entry = book(quay)
                booked.set()
                assert exported.wait(20)
            return entry
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(late)
        assert booked.wait(20)
        early = book(mill)
        first = export()
        exported.set()
        entry = running.result()
    assert entry.id < early.id
    assert numbers_in(first) == [early.number]
    assert numbers_in(export()) == [entry.number]
    assert not ledger_findings(export_pieces)


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_batches_made_at_once_share_the_entries_out(mill, quay):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")

    def run(number):
        try:
            for _ in range(5):
                book((mill, quay)[number % 2])
                with suppress(NothingToExport):
                    export()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(run, range(4)))
    with suppress(NothingToExport):
        export()
    batches = JournalExport.objects.everywhere("test").order_by("after_position")
    numbers = [number for batch in batches for number in numbers_in(batch)]
    assert len(numbers) == len(set(numbers)) == 20
    assert not ledger_findings(export_pieces)


def test_settling_twice_changes_nothing(mill):
    with transaction.atomic():
        assert entries_settle() == 0
        book(mill)
        assert entries_settle() == entries_settle() == 1
    assert Decimal(EntryPosition.objects.everywhere("test").get().position) == 1
