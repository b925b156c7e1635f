"""``manage.py ledger_verify`` believes a sound ledger and finds whatever was done to it behind the service's back."""

from __future__ import annotations

import datetime as dt
from contextlib import contextmanager
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from opticshop.branches.models import NumberSeries
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.append_only import seal_statements, unseal_statements
from opticshop.ledger.models import Period
from opticshop.ledger.services import export_make, journal_reverse, period_close

from .conftest import DAY, book

pytestmark = pytest.mark.django_db
BOOKS = system("books")


def verify(**options):
    out = StringIO()
    call_command("ledger_verify", stdout=out, **options)
    return out.getvalue()


def findings(**options):
    out = StringIO()
    with pytest.raises(CommandError) as ended:
        call_command("ledger_verify", stdout=out, **options)
    assert ended.value.returncode == 1
    return out.getvalue()


def settle_triggers(cursor):
    """PostgreSQL changes no table whose deferred triggers have still to look at it."""
    if connection.vendor == "postgresql":
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")


@contextmanager
def unsealed(table):
    """The owner of the database takes the seal off, does something, and puts it back."""
    with connection.cursor() as cursor:
        settle_triggers(cursor)
        for statement in unseal_statements(table, connection.vendor):
            cursor.execute(statement)
        yield cursor
        for statement in seal_statements(table, connection.vendor):
            cursor.execute(statement)


@pytest.fixture
def ledger(mill, quay):
    """Some sales, one reversed, one batch handed out, February closed."""
    book(mill, booked_on=dt.date(2026, 2, 27))
    sale = book(mill)
    book(quay)
    journal_reverse(actor=BOOKS, entry=sale, booked_on=DAY, reason="Typed twice")
    export_make(actor=BOOKS, exporter="journal-csv")
    period_close(actor=BOOKS, month=dt.date(2026, 2, 1))
    return sale


def test_a_sound_ledger_holds(ledger):
    assert verify(files=True) == "The ledger holds.\n"


def test_an_empty_ledger_holds(db):
    assert verify(files=True) == "The ledger holds.\n"


@pytest.mark.parametrize(
    ("table", "change", "words"),
    [
        ("ledger_line", "UPDATE ledger_line SET debit = debit + 0.01 WHERE debit > 0",
         "220.01 is debited, 220.00 credited"),
        ("ledger_line", "UPDATE ledger_line SET party = 'x' "
         "WHERE entry_id IN (SELECT id FROM ledger_entry WHERE reverses_id IS NOT NULL)",
         "is not the mirror of MILL-E-2026-00002"),
        ("ledger_line", "DELETE FROM ledger_line WHERE line_no = 1", "says 4 lines of 220.00, has 3"),
        ("ledger_line", "UPDATE ledger_line SET line_no = 9 WHERE line_no = 1", "do not count from 1 to 4"),
        ("ledger_entry", "UPDATE ledger_entry SET total = 1", "says 4 lines of 1.00, has 4 of 220.00"),
        ("ledger_entry", "UPDATE ledger_entry SET number = 'MILL-E-2026-00009' WHERE number = 'MILL-E-2026-00003'",
         "series MILL-E-2026: 3 entries, the highest is 9, the series stands at 3"),
        ("ledger_entry", "UPDATE ledger_entry SET number = 'X' WHERE number = 'MILL-E-2026-00003'",
         "is no number of branch"),
        ("ledger_entry", "UPDATE ledger_entry SET document = 'orders/x' WHERE number = 'MILL-E-2026-00003'",
         "has another document than MILL-E-2026-00002"),
        ("ledger_entryposition", "UPDATE ledger_entryposition SET position = 99 WHERE position = 4",
         "4 given out, the highest is 99, the tail stands at 4"),
        ("ledger_journalexport", "UPDATE ledger_journalexport SET entry_count = 5", "says 5 entries of 16 lines"),
        ("ledger_journalexport", "UPDATE ledger_journalexport SET after_position = 1", "begins after 1, not after 0"),
    ],
)  # fmt: skip
def test_tampering_is_found(ledger, table, change, words):
    with unsealed(table) as cursor:
        cursor.execute(change)
    assert words in findings()


def test_a_text_changed_after_it_was_handed_out_is_found_by_the_hash(ledger):
    with unsealed("ledger_entry") as cursor:
        cursor.execute("UPDATE ledger_entry SET description = 'Something else'")
    assert verify() == "The ledger holds.\n"
    assert "group-journal-csv-4.csv: its file is another one now" in findings(files=True)


def test_a_number_used_up_and_lost_is_found(ledger):
    NumberSeries.objects.filter(kind="E", branch__code="QUAY").update(last=2)
    assert "series QUAY-E-2026: 1 entries, the highest is 1, the series stands at 2" in findings()


def test_an_entry_booked_behind_a_closed_door_is_found(ledger, mill):
    period = Period.objects.get()
    Period.objects.update(is_closed=False, reason="quietly")
    with clock.at(clock.now() + dt.timedelta(days=1)):
        slipped = book(mill, booked_on=dt.date(2026, 2, 28))
    Period.objects.update(is_closed=True, reason="")
    assert f"{slipped.number}: was booked into {period.month:%B %Y} after that was closed" in findings()


@pytest.mark.parametrize("table", ["ledger_entry", "ledger_line", "ledger_entryposition", "ledger_journalexport"])
def test_a_seal_that_is_off_is_found(ledger, table):
    with connection.cursor() as cursor:
        settle_triggers(cursor)
        cursor.execute(unseal_statements(table, connection.vendor)[0])
    assert f"trigger {table}_" in findings()


@pytest.mark.postgresql
def test_a_trigger_that_is_switched_off_is_found(ledger):
    if connection.vendor != "postgresql":
        pytest.skip("SQLite cannot switch a trigger off")
    with connection.cursor() as cursor:
        settle_triggers(cursor)
        cursor.execute("ALTER TABLE ledger_line DISABLE TRIGGER ledger_line_balance")
    assert "trigger ledger_line_balance: is missing or switched off" in findings()
