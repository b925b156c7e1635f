"""Tables kept by months on PostgreSQL. The layout of a UUID of version 7 is that of RFC 9562, 5.7, with the example of
its appendix A.6; the rest is asked of the database itself (its catalogue and its plans)."""

from __future__ import annotations

import datetime as dt
import itertools
import threading
import uuid

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, IntegrityError, connection, transaction
from django.db.migrations.state import ProjectState
from django.test import Client

from opticshop.audit.models import AuditEntry, AuditRead, AuditReadSubject
from opticshop.audit.pruning import ENTRIES, READS
from opticshop.audit.services import note
from opticshop.core import clock, outbox, partitions
from opticshop.core.actor import system
from opticshop.core.duties import run_duty
from opticshop.core.ids import new_id
from opticshop.core.models import EventDelivery, OutboxEvent
from tests.audit.test_audit_chain import verify


def test_the_first_key_of_a_month_is_the_lowest_of_its_first_millisecond():
    # RFC 9562, A.6: 2022-02-22 19:22:22 UTC is 017F22E2-79B0-7CC3-98C4-DC0C0C07398F
    example = uuid.UUID("017F22E2-79B0-7CC3-98C4-DC0C0C07398F")
    february, march = (uuid.UUID(partitions.first_key(dt.date(2022, month, 1), counted=False)) for month in (2, 3))
    assert february < example < march
    assert dt.datetime.fromtimestamp((march.int >> 80) / 1000, dt.UTC) == dt.datetime(2022, 3, 1, tzinfo=dt.UTC)
    assert partitions.first_key(dt.date(2026, 1, 1), counted=True) == "243120000000000"  # (2026 x 12) x 10^10
    assert int(partitions.first_key(dt.date(2074, 1, 1), counted=True)) < 2**53, "a number that JSON readers keep exact"


@pytest.mark.parametrize(("month", "count", "then"), [((2026, 11), 2, (2027, 1)), ((2026, 12), 13, (2028, 1))])
def test_months_go_on_over_the_year(month, count, then):
    assert partitions.months_after(dt.date(*month, 1), count) == dt.date(*then, 1)


@pytest.mark.skipif(connection.vendor == "postgresql", reason="what SQLite does")
def test_sqlite_keeps_its_tables_whole(db, capsys):
    assert partitions.partitions_of("core_outboxevent") == []
    assert run_duty("core.keep_partitions") == run_duty("audit.keep_partitions") == 0
    call_command("partitions")
    assert "whole" in capsys.readouterr().out


on_postgresql = pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no partitions")


def bounds(table):
    return [(each.lower, each.upper) for each in partitions.partitions_of(table) if not each.is_default]


def in_partition(table, key):
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT tableoid::regclass::text FROM {table} WHERE id = %s", [key])
        return cursor.fetchone()[0]


@pytest.fixture
def counters(db):
    """A transaction that is rolled back does not take back what it did to a sequence."""
    names = [f"{table}_id_seq" for table in ("audit_auditentry", "audit_auditread")]
    reached = [asked(f"SELECT last_value, is_called FROM {name}")[0] for name in names]
    yield
    for name, (last, is_called) in zip(names, reached, strict=True):
        asked(f"SELECT setval('{name}', {last}, {is_called})")


@pytest.fixture
def real_time():
    """Keys of events are made by the clock of the machine."""
    with clock.at(dt.datetime.now(dt.UTC)):
        yield


@on_postgresql
@pytest.mark.parametrize("table", ["core_outboxevent", "audit_auditentry", "audit_auditread"])
def test_the_duty_makes_the_coming_months_once_and_they_join(counters, real_time, table):
    each = partitions._declared[table]
    assert run_duty("core.keep_partitions") + run_duty("audit.keep_partitions") > 0
    assert partitions.months_ahead(each) == partitions.MONTHS_AHEAD
    found = bounds(table)
    assert found[0][0] is None
    assert all(one[1] == other[0] for one, other in itertools.pairwise(found)), "no key lies between two months"
    assert run_duty("core.keep_partitions") == run_duty("audit.keep_partitions") == 0


@on_postgresql
def test_events_of_another_month_lie_elsewhere_and_a_page_by_key_goes_through_all_by_index(db, real_time):
    partitions.keep(partitions.EVENTS)
    later = partitions.months_after(partitions.month_of(clock.now()), 2)
    key = uuid.UUID(int=uuid.UUID(partitions.first_key(later, counted=False)).int + 77)
    beyond = uuid.UUID(int=uuid.UUID(partitions.first_key(dt.date(2090, 1, 1), counted=False)).int + 1)
    for each in (new_id(), key, beyond):
        OutboxEvent.objects.create(id=each, type="t.t", subject="s", actor_label="a")
    assert in_partition("core_outboxevent", key) == f"core_outboxevent_{later:%Y_%m}"
    assert in_partition("core_outboxevent", beyond) == "core_outboxevent_other", "a write is never refused"
    assert list(OutboxEvent.objects.filter(id__in=[key, beyond]).order_by("-id").values_list("id", flat=True)) == [
        beyond,
        key,
    ]
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL enable_seqscan = off")
        page = OutboxEvent.objects.filter(type="t.t", id__gt=key).order_by("id")[:50]
        plan = page.explain()
    assert "Seq Scan" not in plan
    assert "core_outboxevent_first" not in plan, "months before the cursor are not even looked at"
    with pytest.raises(IntegrityError), transaction.atomic():
        OutboxEvent.objects.create(id=key, type="t.t", subject="s", actor_label="a")


@on_postgresql
def test_a_month_whose_events_came_before_its_partition_stays_where_they_are(db, real_time):
    month = partitions.months_after(partitions.month_of(clock.now()), 2)
    key = uuid.UUID(int=uuid.UUID(partitions.first_key(month, counted=False)).int + 5)
    OutboxEvent.objects.create(id=key, type="t.t", subject="s", actor_label="a")
    partitions.keep(partitions.EVENTS)
    assert in_partition("core_outboxevent", key) == "core_outboxevent_other"
    following = partitions.months_after(month, 1)
    assert f"core_outboxevent_{following:%Y_%m}" in [each.name for each in partitions.partitions_of("core_outboxevent")]


@on_postgresql
def test_deliveries_hold_their_events_and_a_month_goes_when_nothing_refers_to_it(db, real_time):
    partitions.keep(partitions.EVENTS)
    with transaction.atomic():
        event = outbox.record(event_type="t.t", subject="s", actor=system("t"), branch_id=None, data={})
    EventDelivery.objects.create(event=event, handler="t")
    end = uuid.UUID(partitions.partitions_of("core_outboxevent")[0].upper)
    last = uuid.UUID(int=end.int - 1)
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    with pytest.raises(IntegrityError), transaction.atomic():
        partitions.let_go(partitions.EVENTS, last)
    with pytest.raises(IntegrityError), transaction.atomic():
        EventDelivery.objects.create(event_id=new_id(), handler="t")
    EventDelivery.objects.all().delete()
    with transaction.atomic():
        assert partitions.let_go(partitions.EVENTS, last) == 1
    assert not OutboxEvent.objects.exists()


@on_postgresql
def test_keys_of_the_trail_go_on_in_the_block_of_the_month_and_the_chain_holds(counters, mill):
    before = note(action="other").pk
    with clock.at(dt.datetime(2031, 5, 1, 0, 5, tzinfo=dt.UTC)):
        run_duty("audit.keep_partitions")
        after = note(action="other").pk
        assert after == int(partitions.first_key(dt.date(2031, 5, 1), counted=True)) + 1
        run_duty("audit.keep_partitions")
        assert note(action="other").pk == after + 1, "the block is not begun twice"
    with clock.at(dt.datetime(2031, 4, 30, tzinfo=dt.UTC)):
        run_duty("audit.keep_partitions")
        assert note(action="other").pk == after + 2, "a clock that goes back sets no key back"
    assert in_partition("audit_auditentry", before) == "audit_auditentry_first"
    assert in_partition("audit_auditentry", after) == "audit_auditentry_2031_05"
    while run_duty("audit.seal"):
        pass
    code, said = verify()
    assert code == 0, said


@on_postgresql
def test_no_row_of_a_partition_can_be_changed_and_none_can_be_emptied(counters):
    with clock.at(dt.datetime(2031, 5, 1, tzinfo=dt.UTC)):
        partitions.keep(ENTRIES)
        partitions.keep(READS)
        note(action="other")
    for statement in (
        "UPDATE audit_auditentry_2031_05 SET reason = 'x'",
        "DELETE FROM audit_auditentry_2031_05",
        "TRUNCATE audit_auditentry_2031_05",
        "TRUNCATE audit_auditread_2031_05 CASCADE",
        "TRUNCATE audit_auditentry_first",
        "TRUNCATE audit_auditentry_other",
    ):
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


@on_postgresql
@pytest.mark.parametrize(
    ("doing", "words"),
    [
        ("DROP TRIGGER audit_auditentry_2031_05_no_truncate ON audit_auditentry_2031_05", "is missing or switched off"),
        (
            "ALTER TABLE audit_auditentry_2031_05 DISABLE TRIGGER audit_auditentry_append_only",
            "is switched off on the partition audit_auditentry_2031_05",
        ),
    ],
)
def test_a_guard_that_is_off_on_one_partition_is_found(counters, doing, words):
    with clock.at(dt.datetime(2031, 5, 1, tzinfo=dt.UTC)):
        partitions.keep(ENTRIES)
    assert verify()[0] == 0
    with connection.cursor() as cursor:
        cursor.execute(doing)
    code, said = verify()
    assert code == 1
    assert words in said


@on_postgresql
def test_what_is_old_goes_by_whole_months(counters, mill):
    def written(moment):
        with clock.at(moment):
            run_duty("audit.keep_partitions")
            kept = note(action="other", row_id=f"{moment:%Y-%m}").pk
            read = AuditRead.objects.create(kind="customers_customer", ids=[str(mill.id)])
            AuditReadSubject.objects.create(read=read, customer_id=mill.id)
            run_duty("audit.seal")
            return kept

    for month in (1, 2, 3):
        written(dt.datetime(2031, month, 3, tzinfo=dt.UTC))
    assert "audit_auditread_2031_01" in [each.name for each in partitions.partitions_of("audit_auditread")]
    with clock.at(dt.datetime(2033, 1, 1, tzinfo=dt.UTC)):
        call_command("audit_prune", before=dt.date(2031, 2, 20), reason="over")
    left = [each.name for each in partitions.partitions_of("audit_auditentry")]
    assert "audit_auditentry_2031_01" not in left
    assert "audit_auditentry_first" not in left
    assert "audit_auditentry_2031_03" in left
    assert not AuditEntry.objects.filter(row_id__in=["2031-01", "2031-02"]).exists()
    assert AuditEntry.objects.filter(row_id="2031-03").exists()
    code, said = verify()
    assert code == 0, said


@on_postgresql
def test_the_command_says_when_a_month_is_missing(counters, capsys):
    with clock.at(dt.datetime(2040, 1, 1, tzinfo=dt.UTC)):
        with pytest.raises(CommandError, match="core_outboxevent"):
            call_command("partitions")
        call_command("partitions", make=True)
        call_command("partitions")
        run_duty("config.measure")
        said = Client().get("/metrics").content.decode()
    assert "core_outboxevent: 3 of 3 months ahead" in capsys.readouterr().out
    assert 'opticshop_partition_months_ahead{table="core_outboxevent"} 3.0' in said


# --- the change of a table in use ---------------------------------------------------------------------------------
STUDY = "core_partition_study"


@pytest.fixture
def study(transactional_db):
    """A table as Django makes it, with a guard, an index, a privilege and a table that refers to it."""
    sql = f"""
        CREATE TABLE {STUDY} (id bigint GENERATED BY DEFAULT AS IDENTITY PRIMARY KEY,
            word text NOT NULL CHECK (word <> ''));
        CREATE INDEX {STUDY}_word ON {STUDY} (word, id);
        CREATE TABLE {STUDY}_part (of bigint NOT NULL REFERENCES {STUDY} (id) DEFERRABLE INITIALLY DEFERRED);
        CREATE FUNCTION {STUDY}_refuse() RETURNS trigger LANGUAGE plpgsql AS
            $$ BEGIN RAISE EXCEPTION 'refused' USING ERRCODE = 'restrict_violation'; END $$;
        CREATE TRIGGER {STUDY}_append_only BEFORE UPDATE OR DELETE ON {STUDY}
            FOR EACH ROW EXECUTE FUNCTION {STUDY}_refuse();
        GRANT SELECT ON {STUDY} TO PUBLIC;
        INSERT INTO {STUDY} (word) SELECT 'w' || n FROM generate_series(1, 1000) n;
        INSERT INTO {STUDY}_part SELECT id FROM {STUDY};
    """
    run(sql)
    partitions.declare(STUDY, counted=True)
    yield STUDY
    partitions._declared.pop(STUDY)
    run(f"DROP TABLE {STUDY}_part; DROP TABLE {STUDY} CASCADE; DROP FUNCTION {STUDY}_refuse() CASCADE")


def run(*statements):
    with connection.cursor() as cursor:
        for each in statements:
            cursor.execute(each)


def asked(question):
    with connection.cursor() as cursor:
        cursor.execute(question)
        return cursor.fetchall()


def described():
    """What hangs on the table, as the catalogue writes it."""
    return [
        asked(
            "SELECT indexname, replace(indexdef, 'ON ONLY', 'ON') FROM pg_indexes "
            f"WHERE tablename = '{STUDY}' ORDER BY 1"
        ),
        asked(
            "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint "
            "WHERE conparentid = 0 AND contype IN ('f', 'c', 'p') "
            f"AND '{STUDY}'::regclass IN (conrelid, confrelid) ORDER BY 1"
        ),
        asked(f"SELECT tgname FROM pg_trigger WHERE tgrelid = '{STUDY}'::regclass AND NOT tgisinternal ORDER BY 1"),
        asked(
            "SELECT grantee, privilege_type FROM information_schema.table_privileges "
            f"WHERE table_name = '{STUDY}' ORDER BY 1, 2"
        ),
        asked(f"SELECT pg_sequence_last_value(pg_get_serial_sequence('{STUDY}', 'id')::regclass)"),
        asked(f"SELECT count(*), sum(id) FROM {STUDY}"),
    ]


def moved(*, back=False):
    operation = partitions.partition(STUDY, counted=True, guarded=True)
    with connection.schema_editor(atomic=False) as editor:
        way = operation.database_backwards if back else operation.database_forwards
        way("core", editor, ProjectState(), ProjectState())


@on_postgresql
def test_a_table_in_use_is_changed_while_others_write_and_is_changed_back(study):
    before, stop, written, failed = described(), threading.Event(), [], []

    def writes():
        try:
            while not stop.is_set():
                with connection.cursor() as cursor:
                    cursor.execute(f"INSERT INTO {STUDY} (word) VALUES ('late') RETURNING id")
                    written.append(cursor.fetchone()[0])
                    cursor.execute(f"INSERT INTO {STUDY}_part VALUES (%s)", [written[-1]])
        except Exception as error:
            failed.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=writes) for _ in range(2)]
    for each in threads:
        each.start()
    while len(written) < 20:
        pass
    moved()
    count = len(written)
    while len(written) < count + 20 and not failed:
        pass
    stop.set()
    for each in threads:
        each.join()
    assert failed == []
    assert len(set(written)) == len(written), "no key is given twice"
    assert asked(f"SELECT count(*) FROM {STUDY}") == [(1000 + len(written),)]
    assert asked(f"SELECT relkind FROM pg_class WHERE relname = '{STUDY}'") == [("p",)]
    moved()  # once more does nothing
    after = described()
    assert after[0] == before[0]
    assert after[1] == before[1]
    assert after[2:4] == before[2:4]
    with clock.at(dt.datetime.now(dt.UTC) + dt.timedelta(days=92)):
        partitions.keep(partitions._declared[STUDY])
        run(f"INSERT INTO {STUDY} (word) VALUES ('of a later month')")
    moved(back=True)
    last = described()
    assert last[:4] == before[:4]
    assert asked(f"SELECT count(*) FROM {STUDY}") == [(1001 + len(written),)]
    assert asked(f"INSERT INTO {STUDY} (word) VALUES ('next') RETURNING id")[0][0] == last[4][0][0] + 1


@on_postgresql
def test_a_change_that_cannot_have_the_table_gives_up_and_can_be_run_again(study, monkeypatch):
    monkeypatch.setattr(partitions, "LOCK_TRIES", 2)
    began, stop = threading.Event(), threading.Event()

    def holds():
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(f"SELECT count(*) FROM {STUDY}")
            began.set()
            stop.wait(20)
        connection.close()

    thread = threading.Thread(target=holds)
    thread.start()
    began.wait(20)
    with pytest.raises(DatabaseError, match="lock timeout"):
        moved()
    run(f"INSERT INTO {STUDY} (word) VALUES ('meanwhile')")
    stop.set()
    thread.join()
    moved()
    assert asked(f"SELECT relkind FROM pg_class WHERE relname = '{STUDY}'") == [("p",)]
