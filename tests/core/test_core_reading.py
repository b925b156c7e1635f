"""The short way to the database gives what Django's own cursor gives, which is the reference here."""

from __future__ import annotations

import datetime as dt
import uuid

import psycopg
import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from opticshop.branches.models import Branch
from opticshop.config.backup.postgresql import parameters
from opticshop.core import acting, reading
from opticshop.core.errors import Busy
from opticshop.core.locks import busy_answers
from opticshop.core.models import EventDelivery, IdempotencyRecord, OutboxEvent
from opticshop.core.prepared import Prepared, a_key_of_nobody, statement_of
from opticshop.core.writing import inserted, updated
from tests.conftest import NOON

pytestmark = pytest.mark.django_db


def own_way(sql, values):
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return cursor.fetchall()


def test_rows_are_those_of_djangos_cursor(mill):
    sql, values = Branch.objects.filter(id=mill.id).query.sql_with_params()
    assert [tuple(row) for row in reading.rows(connection, sql, values)] == own_way(sql, values)


@pytest.mark.skipif(connection.vendor != "postgresql", reason="The short way is one to PostgreSQL")
def test_moments_and_documents_come_as_django_reads_them():
    sql = "SELECT now(), %s::timestamptz, '{\"a\": [1, 2.5]}'::jsonb, '::1'::inet, %s::uuid, NULL, 1.10::numeric"
    values = ["2026-03-29 02:30:00+02", str(uuid.UUID(int=7))]
    [short], [own] = reading.rows(connection, sql, values), own_way(sql, values)
    assert short[1:] == own[1:]
    assert [type(each) for each in short] == [type(each) for each in own]
    assert {short[0].tzinfo, short[1].tzinfo, own[0].tzinfo} == {dt.UTC}


def test_what_is_asked_is_counted_and_goes_through_the_wrappers(mill, django_assert_num_queries):
    seen = []

    def wrapper(execute, sql, params, many, context):
        seen.append((sql, context["connection"]))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(wrapper):
        reading.rows(connection, "SELECT %s", [1])
    assert seen == [("SELECT %s", connection)]
    with django_assert_num_queries(2):
        reading.rows(connection, "SELECT %s", [1])
        reading.execute(connection, "SELECT %s", [1])


def test_errors_are_those_of_django(mill):
    with pytest.raises(DatabaseError), transaction.atomic():
        reading.rows(connection, "SELECT no_such_column FROM branches_branch WHERE id = %s", [str(mill.id)])
    record = {"credential": "c", "route": "r", "key": "k", "fingerprint": "f", "expires_at": NOON}
    inserted([IdempotencyRecord(**record)])
    with pytest.raises(IntegrityError), transaction.atomic():
        inserted([IdempotencyRecord(**record)])
    assert IdempotencyRecord.objects.count() == 1


def test_inserted_rows_are_those_of_bulk_create():
    def made(kind):
        return [
            OutboxEvent(
                type="a.b",
                subject=f"s {number}",
                actor_label="%s; '",
                data={"n": [number, None, "ü%"]},
                request_id="r",
                traceparent="",
            )
            for number in range(kind)
        ]

    ours, theirs = inserted(made(3)), OutboxEvent.objects.bulk_create(made(3))
    columns = [each.attname for each in OutboxEvent._meta.concrete_fields if each.attname not in ("id", "created_at")]
    assert list(OutboxEvent.objects.filter(id__in=[each.id for each in ours]).order_by("id").values(*columns)) == list(
        OutboxEvent.objects.filter(id__in=[each.id for each in theirs]).order_by("id").values(*columns)
    )
    assert all(not each._state.adding and each._state.db == "default" for each in ours)
    assert inserted([]) == []
    many = inserted(
        EventDelivery(event=ours[0], handler=f"h {number}", due_at=NOON, last_error="") for number in range(1201)
    )
    assert EventDelivery.objects.filter(event=ours[0]).count() == len(many) == 1201


@pytest.mark.django_db(transaction=True)
def test_a_row_written_after_a_read_names_who_wrote_it(mill):
    """The trail's setting belongs to a transaction: reads on the short way before it and within it change nothing."""
    from opticshop.audit.models import AuditEntry

    reads: Prepared[Branch] = Prepared(
        lambda key: Branch.objects.filter(id=key), field=Branch._meta.pk, stand_in=a_key_of_nobody(Branch)
    )
    for label in ("first", "second"):
        with acting.system_acting(label):
            reads.rows(mill.id)
            with transaction.atomic():
                [branch] = reads.rows(mill.id)
                branch.name = f"by {label}"
                branch.save(update_fields=["name"])
    found = AuditEntry.objects.filter(table_name="branches_branch", action="change").order_by("id")
    assert [each.actor_label for each in found][-2:] == ["system:first", "system:second"]


def test_a_number_of_more_than_64_bits_stays_whole():
    event = OutboxEvent.objects.create(type="a.b", subject="s", actor_label="a", data={"n": 10**30, "m": 0.1})
    statement, values = statement_of(OutboxEvent.objects.filter(id=event.id))
    [found] = statement.read(connection, statement.sql, list(values))
    assert found.data == {"n": 10**30, "m": 0.1}


def test_rows_that_point_at_the_same_one_share_it(mill):
    from tests.factories import CustomerFactory

    for _ in range(3):
        CustomerFactory(branch=mill)
    from opticshop.customers.models import Customer

    queryset = Customer.unscoped.filter(branch=mill).select_related("branch", "merged_into")
    statement, values = statement_of(queryset)
    found = statement.read(connection, statement.sql, list(values))
    assert len({id(each.branch) for each in found}) == 1
    assert [each.branch for each in found] == [each.branch for each in queryset]
    assert {each.merged_into for each in found} == {None}


@pytest.mark.parametrize(
    ("sql", "may"),
    [
        ('SELECT "a"."b" FROM "a" WHERE "a"."id" = %s', True),
        ('SELECT "a"."b" FROM "a" WHERE ("a"."id" IN (%s, %s) AND "a"."at" >= %s) LIMIT 51', True),
        ('SELECT "a"."b" FROM "a" WHERE "a"."id" = ANY(%s::uuid[])', True),
        ('SELECT "a"."b" FROM "a"', True),
        ('SELECT "a"."b" FROM "a" WHERE (NOT (U0."mail" = %s) AND LOWER(U0."mail") = %s)', True),
        ('SELECT "a"."b" FROM "a" WHERE "a"."name"::text LIKE %s', False),
        ('SELECT "a"."b" FROM "a" WHERE UPPER("a"."name") = UPPER(%s)', False),
        ('SELECT "a"."b", %s AS "c" FROM "a" WHERE "a"."id" = %s', False),
        ("SELECT 1 FROM a WHERE words(a.name) @@ %s::tsquery", False),
    ],
)
def test_a_statement_is_prepared_if_its_values_are_compared_with_columns(sql, may):
    assert reading.may_be_prepared(sql) is may


@pytest.fixture
def prepares(transactional_db):
    """The connection of the tests, as one of the service."""
    connection.ensure_connection()
    raw = connection.connection
    raw.prepare_threshold = 2
    yield raw
    raw.prepare_threshold = None


def kept_there(raw):
    with raw.cursor() as cursor:
        return [sql for (sql,) in cursor.execute("SELECT statement FROM pg_prepared_statements").fetchall()]


@pytest.mark.postgresql
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite keeps its statements itself")
def test_what_is_asked_again_and_again_is_prepared_by_the_server_and_a_pattern_is_not(prepares, mill, quay):
    by_key = statement_of(Branch.objects.filter(id=mill.id))[0]
    by_name, values = statement_of(Branch.objects.filter(name__startswith="Mill"))
    for _ in range(4):
        for branch in (mill, quay):
            assert by_key.read(connection, by_key.sql, [branch.id]) == [branch]
        by_name.read(connection, by_name.sql, values)
    assert kept_there(prepares) == [by_key.sql.replace("%s", "$1")]
    with pytest.raises(RuntimeError), transaction.atomic():
        raise RuntimeError
    assert by_key.read(connection, by_key.sql, [quay.id]) == [quay], "undone is undone; it is asked again"


@pytest.mark.postgresql
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite keeps its statements itself")
def test_a_statement_that_was_prepared_before_a_migration_is_prepared_anew(prepares, mill):
    statement = statement_of(Branch.objects.filter(id=mill.id).values_list("phone"))[0]
    for _ in range(4):
        statement.read(connection, statement.sql, [mill.id])
    before = kept_there(prepares)
    try:
        alter("varchar(90)")
        assert statement.read(connection, statement.sql, [mill.id]) == [(mill.phone,)]
        for _ in range(3):
            statement.read(connection, statement.sql, [mill.id])
        assert kept_there(prepares) == before
        alter("varchar(91)")
        with pytest.raises(Busy), busy_answers(), transaction.atomic():
            statement.read(connection, statement.sql, [mill.id])
        with transaction.atomic():
            assert statement.read(connection, statement.sql, [mill.id]) == [(mill.phone,)]
    finally:
        alter("varchar(40)")


def alter(kind):
    """By somebody else, as a migration is."""
    with psycopg.connect(**parameters(connection.settings_dict)) as other:
        other.execute(f"ALTER TABLE branches_branch ALTER COLUMN phone TYPE {kind}")


def test_updated_rows_are_those_of_djangos_update():
    """Columns of each kind, what is empty asked for, and how many rows it were."""
    first, second = inserted(
        [
            IdempotencyRecord(credential="c", route="r", key=key, fingerprint="f", expires_at=NOON, created_at=NOON)
            for key in ("one", "two")
        ]
    )
    answer = {
        "status": 201,
        "body": b'{"a": "%s"}',
        "content_type": "text/plain",
        "headers": {"ETag": '"1"', "n": None},
    }
    asked = {"id": first.id, "status": None, "created_at": NOON}
    assert updated(IdempotencyRecord, asked, answer) == 1
    assert updated(IdempotencyRecord, asked, answer) == 0, "it is empty no more"
    assert updated(IdempotencyRecord, {"credential": "c", "created_at": NOON + dt.timedelta(seconds=1)}, answer) == 0
    IdempotencyRecord.objects.filter(id=second.id).update(**answer)
    ours, djangos = IdempotencyRecord.objects.filter(credential="c").order_by("key").values(*answer)
    assert ours == djangos
