"""Tables that PostgreSQL keeps in a partition for each month; SQLite keeps them whole.

A partition is a range of primary keys, so the key stays the primary key, foreign keys to it stay, a page by key is read
from one partition after the other, and nothing in the service knows of partitions. A key tells its month in two ways:

- a UUID of version 7 begins with its milliseconds (RFC 9562, 5.7). Months are made ahead.
- where keys are ``counted``, each month has a block of ten thousand million of them, and ``keep`` moves the sequence to
  the block of the month when that has begun. While nobody does, rows stay in the block before: what is in a partition
  is a month but for the minutes until ``keep`` ran.

What belongs to no month that was made goes into a partition ``_other``, so that a write is never refused.

``partition`` and ``whole`` are what landed migrations ran: add, do not change.
"""

from __future__ import annotations

import datetime as dt
import logging
import re
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from django.db import DatabaseError, connection, transaction

from . import clock
from .append_only import may_open
from .locks import is_contention
from .statements import Statements

log = logging.getLogger("opticshop.partitions")

#: Months for which partitions are there beside the one that runs.
MONTHS_AHEAD = 3
#: Keys of one month where keys are counted.
BLOCK = 10_000_000_000
#: How long ``keep`` waits for a table that others use.
LOCK_TIMEOUT = "3s"
#: A migration waits so long at once, which is shorter than the ``deadlock_timeout`` of PostgreSQL (1 s): where it and a
#: writer wait for one another, it is the migration that lets go. Then it tries again, so many times.
LOCK_PATIENCE_MS = 300
LOCK_TRIES = 100


@dataclass(frozen=True, slots=True)
class Partitioned:
    """``guarded``: no partition may be emptied by TRUNCATE, which a trigger of the whole table does not see."""

    table: str
    counted: bool
    guarded: bool = False


@dataclass(frozen=True, slots=True)
class Partition:
    """Bounds as the database writes them, the upper one excluded; None where there is none."""

    name: str
    lower: str | None
    upper: str | None
    is_default: bool = False


_declared: dict[str, Partitioned] = {}


def declare(table: str, *, counted: bool, guarded: bool = False) -> Partitioned:
    """Say that a table is kept so; the duties of its app call ``keep``."""
    return _declared.setdefault(table, Partitioned(table, counted, guarded))


def declared() -> list[Partitioned]:
    return [_declared[table] for table in sorted(_declared)]


EVENTS = declare("core_outboxevent", counted=False)


# --- months and keys ----------------------------------------------------------------------------------------------
def month_of(moment: dt.datetime) -> dt.date:
    """The first day of its month, in UTC."""
    return moment.astimezone(dt.UTC).date().replace(day=1)


def months_after(month: dt.date, count: int) -> dt.date:
    number = month.year * 12 + month.month - 1 + count
    return dt.date(number // 12, number % 12 + 1, 1)


def first_key(month: dt.date, *, counted: bool) -> str:
    """The lowest key of a month, as a bound of a partition is written."""
    if counted:
        return str((month.year * 12 + month.month - 1) * BLOCK)
    began = dt.datetime(month.year, month.month, 1, tzinfo=dt.UTC)
    return str(uuid.UUID(int=int(began.timestamp()) * 1000 << 80))


def key_at(moment: dt.datetime) -> uuid.UUID:
    """The lowest UUID of version 7 of that moment, to the millisecond: what was made before lies below."""
    return uuid.UUID(int=int(moment.timestamp() * 1000) << 80)


def _order(key: str, *, counted: bool) -> int:
    return int(key) if counted else uuid.UUID(key).int


# --- what is there ------------------------------------------------------------------------------------------------
_BOUNDS = re.compile(r"FROM \((?:'([^']*)'|(\w+))\) TO \((?:'([^']*)'|(\w+))\)")


def partitions_of(table: str) -> list[Partition]:
    """The partitions of a table in the order of their keys; none on SQLite."""
    if connection.vendor != "postgresql":
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, pg_get_expr(c.relpartbound, c.oid) FROM pg_inherits i "
            "JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = to_regclass(%s) AND c.relispartition",
            [table],
        )
        found = [_read(name, bound) for name, bound in cursor.fetchall()]
    is_counted = _declared[table].counted
    return sorted(
        found,
        key=lambda each: (
            each.is_default,
            -1 if each.lower is None else _order(each.lower, counted=is_counted),
        ),
    )


def _read(name: str, bound: str) -> Partition:
    if bound == "DEFAULT":
        return Partition(name, None, None, is_default=True)
    lower, no_lower, upper, no_upper = _BOUNDS.search(bound).groups()  # type: ignore[union-attr]
    return Partition(
        name,
        None if no_lower == "MINVALUE" else lower or no_lower,
        None if no_upper == "MAXVALUE" else upper or no_upper,
    )


def months_ahead(table: Partitioned) -> int:
    """For how many months after this one there is a place; what a monitor asks. 0 on SQLite."""
    uppers = [_order(each.upper, counted=table.counted) for each in partitions_of(table.table) if each.upper]
    if not uppers:
        return 0
    ahead, month = 0, month_of(clock.now())
    while max(uppers) >= _order(
        first_key(months_after(month, ahead + 2), counted=table.counted), counted=table.counted
    ):
        ahead += 1
    return ahead


# --- keeping ------------------------------------------------------------------------------------------------------
def keep(table: Partitioned) -> int:
    """Make the partitions of the coming months, and begin the block of this one; returns how many were made.

    To be run by the owner of the tables. A table is made beside and then attached, for which only other changes of
    the table wait, not its writers. Two at once: the later one finds it done.
    """
    if not partitions_of(table.table):
        return 0
    month = month_of(clock.now())
    made = 0
    for count in range(MONTHS_AHEAD + 1):
        made += _made(table, months_after(month, count))
    if table.counted:
        _begin_block(table, month)
    return made


@transaction.atomic
def _made(table: Partitioned, month: dt.date) -> int:
    lower, upper = (first_key(each, counted=table.counted) for each in (month, months_after(month, 1)))
    if _is_covered(table, upper):
        return 0
    name = f"{table.table}_{month:%Y_%m}"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT set_config('lock_timeout', %s, true), pg_advisory_xact_lock(hashtext(%s))",
            [LOCK_TIMEOUT, table.table],
        )
        if _is_covered(table, upper):
            return 0
        if _lies_elsewhere(table, lower, upper):
            log.warning("%s stays where it is: rows of that month lie in %s_other already", name, table.table)
            return 0
        cursor.execute(f'CREATE TABLE "{name}" (LIKE "{table.table}" INCLUDING DEFAULTS INCLUDING CONSTRAINTS)')
        cursor.execute(
            f"ALTER TABLE \"{table.table}\" ATTACH PARTITION \"{name}\" FOR VALUES FROM ('{lower}') TO ('{upper}')"
        )
        if table.guarded:
            cursor.execute(guard(name))
    return 1


def _is_covered(table: Partitioned, upper: str) -> bool:
    uppers = [each.upper for each in partitions_of(table.table) if not each.is_default]
    wanted = _order(upper, counted=table.counted)
    return any(each is None or _order(each, counted=table.counted) >= wanted for each in uppers)


def _lies_elsewhere(table: Partitioned, lower: str, upper: str) -> bool:
    if not any(each.is_default for each in partitions_of(table.table)):
        return False
    with connection.cursor() as cursor:
        cursor.execute(f'SELECT EXISTS (SELECT FROM "{table.table}_other" WHERE id >= %s AND id < %s)', [lower, upper])
        return bool(cursor.fetchone()[0])


@transaction.atomic
def _begin_block(table: Partitioned, month: dt.date) -> None:
    """Keys go on in the block of the month. Under a lock: a sequence that is set back would give keys twice."""
    first = int(first_key(month, counted=True))
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtext(%s))", [table.table])
        cursor.execute(
            "SELECT setval(name, %s) FROM (SELECT pg_get_serial_sequence(%s, 'id')::regclass AS name) found "
            "WHERE coalesce(pg_sequence_last_value(name), 0) < %s",
            [first, table.table, first],
        )


def keep_due(table: Partitioned) -> int:
    """As ``keep``, for a duty: where the service owns no tables, it says in time that the owner has to do it."""
    if connection.vendor != "postgresql":
        return 0
    if may_open():
        return keep(table)
    if months_ahead(table) < 1 and not table.counted:
        log.warning("%s has no partition for the next month: run manage.py partitions --make as its owner", table.table)
    return 0


def let_go(table: Partitioned, upto: int | uuid.UUID) -> int:
    """Take away the partitions that hold nothing above that key; returns how many rows went with them.

    In the caller's transaction, by the owner, with a short lock that lets everybody else wait. PostgreSQL refuses it
    while a row elsewhere refers to one of them.
    """
    limit = upto if isinstance(upto, int) else upto.int
    gone = 0
    for each in partitions_of(table.table):
        if each.upper is None or _order(each.upper, counted=table.counted) > limit + 1:
            continue
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT count(*) FROM "{each.name}"')
            gone += int(cursor.fetchone()[0])
            cursor.execute(f'ALTER TABLE "{table.table}" DETACH PARTITION "{each.name}"')
            cursor.execute(f'DROP TABLE "{each.name}"')
    return gone


def over(table: Partitioned, before: int | uuid.UUID, referring: Sequence[tuple[str, str]]) -> list[Partition]:
    """The partitions that hold nothing at or above that key and to which no row of the tables (with their column)
    refers. Both are asked of indexes; how many rows there are does not matter."""
    limit = before if isinstance(before, int) else before.int
    return [
        each
        for each in partitions_of(table.table)
        if each.upper is not None
        and _order(each.upper, counted=table.counted) <= limit
        and not any(_refers(name, column, each) for name, column in referring)
    ]


def _refers(table: str, column: str, each: Partition) -> bool:
    above = "" if each.lower is None else f"AND {column} >= '{each.lower}'"
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT EXISTS (SELECT FROM {table} WHERE {column} < '{each.upper}' {above})")
        return bool(cursor.fetchone()[0])


def drop(table: Partitioned, each: Partition, *, tries: int = LOCK_TRIES) -> bool:
    """Detach one partition and drop it; False where the table could not be had. By the owner, outside a transaction.

    DETACH ... CONCURRENTLY is refused where there is a partition for everything else (PostgreSQL 15, ALTER TABLE). So
    the table is locked whole, but waited for no longer than ``LOCK_PATIENCE_MS`` at once, and meanwhile PostgreSQL
    proves that nothing refers to the partition: by a merge of two indexes, which ends where the partition ends.
    """
    with connection.cursor() as cursor:
        for _ in range(tries):
            try:
                with transaction.atomic():
                    cursor.execute(f"SET LOCAL lock_timeout = '{LOCK_PATIENCE_MS}ms'")
                    for way in ("hashjoin", "nestloop", "seqscan", "sort"):
                        cursor.execute(f"SET LOCAL enable_{way} = off")
                    cursor.execute(f'ALTER TABLE "{table.table}" DETACH PARTITION "{each.name}"')
                    cursor.execute(f'DROP TABLE "{each.name}"')
                return True
            except DatabaseError as error:
                if not is_contention(error):
                    raise
                time.sleep(0.1)
    return False


def guard(partition: str) -> str:
    """SQL: TRUNCATE of this one partition is refused."""
    return (
        f'CREATE TRIGGER "{partition}_no_truncate" BEFORE TRUNCATE ON "{partition}" '
        "FOR EACH STATEMENT EXECUTE FUNCTION core_partition_refuse()"
    )


# --- migrations ---------------------------------------------------------------------------------------------------
def partition(table: str, *, counted: bool, guarded: bool = False) -> Statements:
    """The operation that makes a table in use into one of partitions; ``atomic = False`` in its migration.

    1. A check that the keys are below the month after the next is held for new rows at once, then proved of the old
       ones beside readers and writers.
    2. In one transaction, under a lock that is held for milliseconds because nothing is read: the table becomes the
       partition ``_first`` of a new one of its name, which has its indexes, keys, triggers, sequence and privileges.
       Who waits for that lock goes on with the new table.
    3. Foreign keys to it are proved beside readers and writers.

    It may be broken off anywhere and run again.

    Undone, the rows of the other partitions are copied behind those of the first; meanwhile the table is locked.
    """
    forwards = [_FUNCTION, _check(table, counted), _checked(table), _swap(table, counted, guarded), _proved(table)]
    return Statements({"postgresql": forwards}, {"postgresql": [_whole(table, counted), _proved(table)]})


_FUNCTION = """
CREATE OR REPLACE FUNCTION core_partition_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'restrict_violation';
END
$$
"""


def _bound(counted: bool, months: int) -> str:
    """SQL for the first key of a month from now, as text."""
    month = f"date_trunc('month', now() AT TIME ZONE 'UTC') + interval '{months} months'"
    if counted:
        return f"((extract(year FROM {month}) * 12 + extract(month FROM {month}) - 1)::bigint * {BLOCK})::text"
    milliseconds = f"(extract(epoch FROM ({month}) AT TIME ZONE 'UTC') * 1000)::bigint"
    return f"(lpad(to_hex({milliseconds}), 12, '0') || repeat('0', 20))::uuid::text"


def _check(table: str, counted: bool) -> str:
    return f"""
DO $do$
{_LOCKING}
BEGIN
    {_unless_done(table)}
    {_locked(table)}
    ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {table}_first_keys;
    EXECUTE format('ALTER TABLE {table} ADD CONSTRAINT {table}_first_keys CHECK (id < %L) NOT VALID',
        {_bound(counted, 2)});
END
$do$
"""


def _checked(table: str) -> str:
    return f"""
DO $do$
BEGIN
    {_unless_done(table)}
    ALTER TABLE {table} VALIDATE CONSTRAINT {table}_first_keys;
END
$do$
"""


def _unless_done(table: str) -> str:
    """For a migration that was broken off at the foreign keys and is run again."""
    return f"IF (SELECT relkind FROM pg_class WHERE oid = '{table}'::regclass) = 'p' THEN RETURN; END IF;"


_LOCKING = "DECLARE\n    tables text; tries integer := 0;"


def _locked(table: str) -> str:
    """The table and those that refer to it, all or none; what is locked is let go between two tries."""
    return f"""
    PERFORM set_config('lock_timeout', '{LOCK_PATIENCE_MS}ms', true);
    SELECT string_agg(DISTINCT name, ', ') INTO tables FROM (
        SELECT '{table}' AS name UNION SELECT conrelid::regclass::text FROM pg_constraint
        WHERE contype = 'f' AND confrelid = '{table}'::regclass
    ) AS found;
    LOOP
        BEGIN
            EXECUTE format('LOCK TABLE %s IN ACCESS EXCLUSIVE MODE', tables);
            EXIT;
        EXCEPTION WHEN lock_not_available THEN
            tries := tries + 1;
            IF tries >= {LOCK_TRIES} THEN RAISE; END IF;
        END;
        PERFORM pg_sleep(0.05 + random() * 0.1);
    END LOOP;"""


#: Definitions of what hangs on a table, read before it is renamed; ``made`` is run when the new one is there.
_REMEMBERED = """
    FOR each IN SELECT tgname, pg_get_triggerdef(oid) AS made FROM pg_trigger
            WHERE tgrelid = '{table}'::regclass AND NOT tgisinternal LOOP
        triggers := triggers || each.made;
        EXECUTE format('DROP TRIGGER %I ON {table}', each.tgname);
    END LOOP;
    FOR each IN SELECT conname, conrelid::regclass AS owner, pg_get_constraintdef(oid) AS made FROM pg_constraint
            WHERE contype = 'f' AND confrelid = '{table}'::regclass AND conparentid = 0 LOOP
        keys := keys || format('ALTER TABLE %s ADD CONSTRAINT %I %s NOT VALID', each.owner, each.conname, each.made);
        EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', each.owner, each.conname);
    END LOOP;
    FOR each IN SELECT grantee, string_agg(privilege_type, ', ') AS rights
            FROM pg_class, aclexplode(relacl)
            WHERE pg_class.oid = '{table}'::regclass AND grantee <> relowner GROUP BY 1 LOOP
        rights := rights || format('GRANT %s ON {table} TO %s', each.rights,
            CASE WHEN each.grantee = 0 THEN 'PUBLIC' ELSE each.grantee::regrole::text END);
    END LOOP;
"""
_MADE_AGAIN = """
    FOREACH made IN ARRAY triggers || keys || rights LOOP EXECUTE made; END LOOP;
"""


def _swap(table: str, counted: bool, guarded: bool) -> str:
    first, other = f"{table}_first", f"{table}_other"
    sequence = f"""
    SELECT pg_get_serial_sequence('{table}', 'id') INTO counter;
    SELECT coalesce(pg_sequence_last_value(counter::regclass), 0) INTO reached;
    FOR each IN SELECT grantee, string_agg(privilege_type, ', ') AS rights
            FROM pg_class, aclexplode(relacl) WHERE pg_class.oid = counter::regclass AND grantee <> relowner GROUP BY 1
            LOOP
        rights := rights || format('GRANT %s ON SEQUENCE {table}_id_seq TO %s', each.rights,
            CASE WHEN each.grantee = 0 THEN 'PUBLIC' ELSE each.grantee::regrole::text END);
    END LOOP;
    ALTER TABLE {table} ALTER COLUMN id DROP IDENTITY;"""
    counting = f"""
    CREATE SEQUENCE {table}_id_seq AS bigint OWNED BY {table}.id;
    IF reached > 0 THEN PERFORM setval('{table}_id_seq', reached); END IF;
    ALTER TABLE {table} ALTER COLUMN id SET DEFAULT nextval('{table}_id_seq');"""
    return f"""
DO $do$
{_LOCKING}
    each record; made text; counter text; reached bigint; bound text := {_bound(counted, 2)};
    triggers text[] := '{{}}'; keys text[] := '{{}}'; rights text[] := '{{}}'; indexes text[] := '{{}}';
BEGIN
    {_unless_done(table)}
    {_locked(table)}
    {_REMEMBERED.format(table=table)}
    {sequence if counted else ""}
    FOR each IN SELECT c.relname, pg_get_indexdef(i.indexrelid) AS made, i.indisprimary
            FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid WHERE i.indrelid = '{table}'::regclass LOOP
        IF NOT each.indisprimary THEN
            indexes := indexes || each.made;
        END IF;
        EXECUTE format('ALTER INDEX %I RENAME TO %I', each.relname, each.relname || '_first');
    END LOOP;
    ALTER TABLE {table} RENAME TO {first};
    CREATE TABLE {table} (LIKE {first} INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING STORAGE INCLUDING COMMENTS)
        PARTITION BY RANGE (id);
    ALTER TABLE {table} DROP CONSTRAINT {table}_first_keys;
    ALTER TABLE {table} ADD CONSTRAINT {table}_pkey PRIMARY KEY (id);
    {counting if counted else ""}
    FOREACH made IN ARRAY indexes LOOP EXECUTE made; END LOOP;
    EXECUTE format('ALTER TABLE {table} ATTACH PARTITION {first} FOR VALUES FROM (MINVALUE) TO (%L)', bound);
    ALTER TABLE {first} DROP CONSTRAINT {table}_first_keys;
    CREATE TABLE {other} PARTITION OF {table} DEFAULT;
    {_MADE_AGAIN}
    {f"{guard(first)}; {guard(other)};" if guarded else ""}
END
$do$
"""


def _proved(table: str) -> str:
    return f"""
DO $do$
DECLARE
    each record;
BEGIN
    FOR each IN SELECT conname, conrelid::regclass AS owner FROM pg_constraint
            WHERE contype = 'f' AND confrelid = '{table}'::regclass AND conparentid = 0 AND NOT convalidated LOOP
        EXECUTE format('ALTER TABLE %s VALIDATE CONSTRAINT %I', each.owner, each.conname);
    END LOOP;
END
$do$
"""


def _whole(table: str, counted: bool) -> str:
    first = f"{table}_first"
    sequence = f"""
    SELECT coalesce(pg_sequence_last_value('{table}_id_seq'), 0) INTO reached;
    DROP SEQUENCE {table}_id_seq CASCADE;
    ALTER TABLE {table} ALTER COLUMN id ADD GENERATED BY DEFAULT AS IDENTITY (SEQUENCE NAME {table}_id_seq);
    IF reached > 0 THEN PERFORM setval('{table}_id_seq', reached); END IF;"""
    return f"""
DO $do$
{_LOCKING}
    each record; made text; reached bigint;
    triggers text[] := '{{}}'; keys text[] := '{{}}'; rights text[] := '{{}}';
BEGIN
    {_locked(table)}
    {_REMEMBERED.format(table=table)}
    IF to_regclass('{first}') IS NULL THEN
        CREATE TABLE {first} (LIKE {table} INCLUDING ALL);
    ELSE
        ALTER TABLE {table} DETACH PARTITION {first};
        DROP TRIGGER IF EXISTS {first}_no_truncate ON {first};
    END IF;
    INSERT INTO {first} SELECT * FROM {table};
    ALTER TABLE {table} RENAME TO {table}_parts;
    FOR each IN SELECT c.relname FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid
            WHERE i.indrelid = '{table}_parts'::regclass LOOP
        EXECUTE format('ALTER INDEX %I RENAME TO %I', each.relname, each.relname || '_parts');
        EXECUTE format('ALTER INDEX IF EXISTS %I RENAME TO %I', each.relname || '_first', each.relname);
    END LOOP;
    ALTER TABLE {first} RENAME TO {table};
    {sequence if counted else ""}
    DROP TABLE {table}_parts;
    {_MADE_AGAIN}
END
$do$
"""
