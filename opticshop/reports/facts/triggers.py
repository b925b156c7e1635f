"""The triggers that mark days as stale, in the transaction that changes a row from which they were counted.

A trigger sees what nobody can forget to tell: bulk updates, imports, raw SQL, a hand at the database. They are put in
place after every migration (``install`` is idempotent) and lifted before one on SQLite, as those of the audit trail.

``SOURCES`` is the whole of it: each table that a fact is counted from, which change of it matters, and the days that it
touches. A further table in a figure needs its source here; ``facts_verify`` finds what was forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.backends.base.base import BaseDatabaseWrapper

STALE = "reports_staledays"
#: The first day of all: a mark from it on, without an end, is every day of a branch.
EVER = "0001-01-01"


@dataclass(frozen=True, slots=True)
class Source:
    """``days`` are SELECTs of (branch, first day, last day) from a row called ``r``, which has ``columns``; only the
    first ``of_new`` can find anything of a row that is new.

    In them ``{day:column}`` is the day of an instant in the zone of a branch ``b``, ``{date:day}`` a fixed day and
    ``{order:column}`` the order that a document names. A change matters where one of the columns ``matters`` differs,
    or one of the expressions ``changed`` of ``{r}``.
    """

    table: str
    columns: tuple[str, ...]
    days: tuple[str, ...]
    matters: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    of_new: int | None = None


def _on(branch: str, day: str, rows: str) -> str:
    return f"SELECT {branch}, {day}, {day} FROM r {rows}"


def _from(branch: str, day: str, rows: str = "") -> str:
    return f"SELECT {branch}, {day}, {{none}} FROM r {rows}"


def _zone_of(branch: str) -> str:
    return f"JOIN branches_branch b ON b.id = {branch}"


def _of_order(order: str, *what: str, only: str = "") -> tuple[str, ...]:
    """The days on which something of an order was counted; ``only`` is a further condition."""
    also = f"AND {only}" if only else ""
    job = f"JOIN workshop_job j ON j.order_id = {order} {also}"
    ways = {
        "supplied": _on("s.branch_id", "s.supplied_on", f"JOIN billing_supply s ON s.order_id = {order} {also}"),
        "packed": _on(
            "j.branch_id",
            "{day:j.finished_at}",
            f"{job} AND j.finished_at IS NOT NULL {_zone_of('j.branch_id')}",
        ),
        "again": _on("j.branch_id", "{day:j.created_at}", f"{job} AND j.attempt > 1 {_zone_of('j.branch_id')}"),
        "lost": _on(
            "j.branch_id",
            "{day:l.created_at}",
            f"{job} JOIN workshop_breakage l ON l.job_id = j.id {_zone_of('j.branch_id')}",
        ),
        "handed": _on(
            "h.branch_id",
            "{day:h.handed_over_at}",
            f"JOIN quality_handover h ON h.order_id = {order} {also} {_zone_of('h.branch_id')}",
        ),
    }
    return tuple(ways[each] for each in what)


_OF_JOB = (
    _on(
        "j.branch_id",
        "{day:j.finished_at}",
        f"JOIN workshop_job j ON j.id = r.job_id AND j.finished_at IS NOT NULL {_zone_of('j.branch_id')}",
    ),
)
_EVER = f"{{date:{EVER}}}"
_SALES = "r.role IN ('sales', 'sales_exempt')"

SOURCES: tuple[Source, ...] = (
    Source(
        "orders_quotation",
        ("branch_id", "quoted_on"),
        (_on("r.branch_id", "r.quoted_on", ""),),
        matters=("branch_id", "quoted_on", "quoted_by_id", "state"),
    ),
    Source(
        "orders_order",
        ("id", "branch_id", "placed_at"),
        (
            _on("r.branch_id", "{day:r.placed_at}", _zone_of("r.branch_id")),
            *_of_order("r.id", "supplied", "packed", "again", "lost", "handed"),
        ),
        matters=("branch_id", "placed_at", "placed_by_id", "currency", "total", "tax_total", "frame_is_customers"),
        changed=("{r}.state = 'cancelled'",),
        of_new=1,
    ),
    Source(
        "orders_orderline",
        ("order_id",),
        _of_order("r.order_id", "supplied"),
        matters=("order_id", "kind", "sku", "gross", "tax"),
    ),
    Source(
        "orders_orderedlens",
        ("order_id",),
        _of_order("r.order_id", "supplied", "packed"),
        matters=("order_id", "eye", "product_id"),
    ),
    Source("orders_promise", ("order_id",), _of_order("r.order_id", "packed"), matters=("order_id", "promised_on")),
    Source(
        "billing_supply",
        ("branch_id", "supplied_on"),
        (_on("r.branch_id", "r.supplied_on", ""),),
        matters=("branch_id", "supplied_on", "order_id"),
    ),
    Source(
        "ledger_line",
        ("entry_id", "account_id", "debit"),
        (
            _on(
                "e.branch_id",
                "e.booked_on",
                "JOIN ledger_account a ON a.id = r.account_id AND r.debit > 0 AND a.role IN ('sales', 'sales_exempt') "
                "JOIN ledger_entry e ON e.id = r.entry_id",
            ),
        ),
        matters=("entry_id", "account_id", "debit"),
    ),
    Source(
        "ledger_account",
        ("role",),
        (_from("b.id", _EVER, f"JOIN branches_branch b ON {_SALES}"),),
        matters=("role",),
    ),
    Source(
        "stock_reservation",
        ("document",),
        _of_order("{order:r.document}", "supplied"),
        matters=("document", "part", "branch_id"),
        changed=("{r}.state IN ('consumed', 'returned')",),
    ),
    Source(
        "stock_movement",
        ("document", "kind"),
        _of_order("{order:r.document}", "supplied", only="r.kind = 'consumption'"),
        matters=("document", "kind", "unit_cost", "on_hand_change", "branch_id"),
    ),
    Source(
        "workshop_job",
        ("id", "branch_id", "order_id", "attempt", "created_at", "finished_at"),
        (
            _on("r.branch_id", "{day:r.finished_at}", f"{_zone_of('r.branch_id')} AND r.finished_at IS NOT NULL"),
            _on("r.branch_id", "{day:r.created_at}", f"{_zone_of('r.branch_id')} AND r.attempt > 1"),
            *_of_order("r.order_id", "packed", only="r.attempt > 1"),
            _on(
                "r.branch_id",
                "{day:l.created_at}",
                f"JOIN workshop_breakage l ON l.job_id = r.id {_zone_of('r.branch_id')}",
            ),
        ),
        matters=(
            "branch_id",
            "order_id",
            "attempt",
            "created_at",
            "finished_at",
            "eyes",
            "promised_on",
            "remake_cause",
            "remake_borne_by",
            "remake_cost",
        ),
        changed=("{r}.state = 'finished'",),
        of_new=3,
    ),
    Source("workshop_jobstep", ("job_id",), _OF_JOB, matters=("job_id", "kind", "by_id")),
    Source(
        "workshop_breakage",
        ("job_id", "created_at"),
        (
            _on(
                "j.branch_id",
                "{day:r.created_at}",
                f"JOIN workshop_job j ON j.id = r.job_id {_zone_of('j.branch_id')}",
            ),
        ),
        matters=("job_id", "created_at", "eye", "cause", "borne_by", "cost"),
    ),
    Source("quality_inspection", ("job_id",), _OF_JOB, matters=("job_id", "outcome")),
    Source(
        "quality_pairreturn",
        ("order_id",),
        _of_order("r.order_id", "packed"),
        matters=("order_id", "reported_at", "cause"),
    ),
    Source(
        "quality_handover",
        ("branch_id", "order_id", "handed_over_at"),
        (
            _on("r.branch_id", "{day:r.handed_over_at}", _zone_of("r.branch_id")),
            *_of_order("r.order_id", "handed"),
        ),
        matters=("branch_id", "order_id", "handed_over_at"),
    ),
    Source(
        "branches_openinghours",
        ("branch_id",),
        (_from("r.branch_id", _EVER),),
        matters=("branch_id", "weekday", "opens_at", "closes_at"),
    ),
    Source(
        "branches_closure",
        ("branch_id", "first_on"),
        (_from("r.branch_id", "r.first_on"),),
        matters=("branch_id", "first_on", "last_on"),
    ),
    Source(
        "branches_branch",
        ("id",),
        (_from("r.id", _EVER),),
        matters=("time_zone", "country", "subdivision", "keeps_public_holidays"),
    ),
)
#: Names that stand in facts, and the currency of a branch that gave a piece to another: seldom changed, touching all.
_NAMES = (("accounts_user", "username"), ("catalogue_lensproduct", "sku"), ("branches_branch", "currency"))
EVERYWHERE = tuple(
    Source(table, ("id",), (_from("b.id", _EVER, "CROSS JOIN branches_branch b"),), matters=(column,))
    for table, column in _NAMES
)


def wanted(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Name of each trigger that should be there -> what it is made from; none while a table is missing."""
    tables = set(connection.introspection.table_names())
    if STALE not in tables:
        return {}
    made: dict[str, str] = {}
    write = _postgresql if connection.vendor == "postgresql" else _sqlite
    for source in SOURCES:
        if source.table in tables:
            made |= write(source, "fact", ("insert", "update", "delete"))
    for source in EVERYWHERE:
        if source.table in tables:
            made |= write(source, "name", ("update",))
    return made


def present(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Name of each trigger that is there and switched on -> what it was made from."""
    if connection.vendor == "postgresql":
        query = """
            SELECT t.tgname, p.prosrc FROM pg_trigger t
            JOIN pg_proc p ON p.oid = t.tgfoid JOIN pg_class c ON c.oid = t.tgrelid
            WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') AND c.relnamespace = current_schema()::regnamespace
              AND (t.tgname LIKE '%\\_fact\\_%' OR t.tgname LIKE '%\\_name\\_update')
        """
    else:
        query = (
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND "
            "(name LIKE '%\\_fact\\_%' ESCAPE '\\' OR name LIKE '%\\_name\\_update' ESCAPE '\\')"
        )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {name: made or "" for name, made in cursor.fetchall()}


def are_in_place(connection: BaseDatabaseWrapper) -> bool:
    """Whether every change that matters is marked: without that no day may be built."""
    should = wanted(connection)
    return bool(should) and should == present(connection)


def install(connection: BaseDatabaseWrapper) -> int:
    """Make what is missing or different, drop what is too much; returns how many triggers were touched."""
    should, are = wanted(connection), present(connection)
    stale = [name for name in are if should.get(name) != are[name]]
    missing = [name for name in should if should[name] != are.get(name)]
    _run(connection, [*_drops(connection, stale), *(_make(connection, name, should[name]) for name in missing)])
    return len(set(stale) | set(missing))


def lift(connection: BaseDatabaseWrapper) -> int:
    """Drop them all, for as long as tables are altered."""
    names = list(present(connection))
    _run(connection, _drops(connection, names))
    return len(names)


def _run(connection: BaseDatabaseWrapper, statements: Iterable[str]) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _drops(connection: BaseDatabaseWrapper, names: Iterable[str]) -> list[str]:
    if connection.vendor == "postgresql":
        return [f'DROP FUNCTION IF EXISTS "{name}"() CASCADE' for name in names]  # the trigger goes with it
    return [f'DROP TRIGGER IF EXISTS "{name}"' for name in names]


def _make(connection: BaseDatabaseWrapper, name: str, body: str) -> str:
    if connection.vendor != "postgresql":
        return body
    trigger = body.split("\n", 1)[0].removeprefix("-- ")
    return (
        f'CREATE OR REPLACE FUNCTION "{name}"() RETURNS trigger LANGUAGE plpgsql AS $facts${body}$facts$;\n'
        f'DROP TRIGGER IF EXISTS "{name}" ON {trigger.partition(" ON ")[2].partition(" ")[0]};\n{trigger}'
    )


def _postgresql(source: Source, suffix: str, verbs: Iterable[str]) -> dict[str, str]:
    """The body of the function of each trigger; its first line is the trigger itself, so that both are compared.

    Rows that are new come all at once, since they may be many.
    """
    made = {}
    for verb in verbs:
        name = f"{source.table}_{suffix}_{verb}"
        if verb == "insert":
            when, how, rows = "", "REFERENCING NEW TABLE AS r FOR EACH STATEMENT", "r"
        else:
            when = f"WHEN ({_differs(source, 'IS DISTINCT FROM')}) " if verb == "update" else ""
            how, rows = "FOR EACH ROW", f"({_rows(source, verb)}) r"
        head = f'CREATE TRIGGER "{name}" AFTER {verb.upper()} ON {source.table} {how} {when}EXECUTE FUNCTION "{name}"()'
        marks = _marks(source, verb, rows, _POSTGRESQL)
        made[name] = f"-- {head}\nBEGIN\n{marks};\nRETURN NULL;\nEND\n"
    return made


def _sqlite(source: Source, suffix: str, verbs: Iterable[str]) -> dict[str, str]:
    made = {}
    for verb in verbs:
        name = f"{source.table}_{suffix}_{verb}"
        when = f" WHEN {_differs(source, 'IS NOT')}" if verb == "update" else ""
        marks = _marks(source, verb, f"({_rows(source, verb)}) r", _SQLITE)
        made[name] = (
            f'CREATE TRIGGER "{name}" AFTER {verb.upper()} ON {source.table} FOR EACH ROW{when} BEGIN\n{marks};\nEND'
        )
    return made


def _rows(source: Source, verb: str) -> str:
    sides = {"insert": ("NEW",), "update": ("OLD", "NEW"), "delete": ("OLD",)}[verb]
    return " UNION ALL ".join(
        f"SELECT {', '.join(f'{side}.{column} AS {column}' for column in source.columns)}" for side in sides
    )


def _differs(source: Source, operator: str) -> str:
    columns = [f"OLD.{column} {operator} NEW.{column}" for column in source.matters]
    others = [f"({each.replace('{r}', 'OLD')}) {operator} ({each.replace('{r}', 'NEW')})" for each in source.changed]
    return " OR ".join([*columns, *others])


def _marks(source: Source, verb: str, rows: str, words: dict[str, str]) -> str:
    days = source.days[: source.of_new] if verb == "insert" else source.days
    text = "\nUNION ".join(each.replace("FROM r ", f"FROM {rows} ") for each in days)
    for pattern, written in words.items():
        text = re.sub(pattern, written, text)
    return f"INSERT INTO {STALE} (branch_id, first_day, last_day)\n{text}"


#: How the words of ``Source`` are written by each database. Instants are kept in UTC by SQLite.
_POSTGRESQL = {
    r"\{day:([^}]+)\}": r"(\1 AT TIME ZONE b.time_zone)::date",
    r"\{date:([^}]+)\}": r"DATE '\1'",
    r"\{none\}": "NULL::date",
    r"\{order:([^}]+)\}": r"(CASE WHEN \1 ~ '^orders/[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$' "
    r"THEN substr(\1, 8)::uuid END)",
}
_SQLITE = {
    r"\{day:([^}]+)\}": r"django_datetime_cast_date(\1, b.time_zone, 'UTC')",
    r"\{date:([^}]+)\}": r"'\1'",
    r"\{none\}": "NULL",
    r"\{order:([^}]+)\}": r"(CASE WHEN \1 LIKE 'orders/%' THEN replace(substr(\1, 8), '-', '') END)",
}
