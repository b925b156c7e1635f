"""The triggers that write the audit trail: made from the tables that are there, put in place after every migration.

A trigger sees what nobody can forget to tell: bulk updates, raw SQL, the back office, a hand at the database. Who acts
comes from ``connections``. On PostgreSQL rows become JSON as they are, so a new column is audited at once; SQLite must
name its columns, so the triggers are lifted before a migration and made anew after it (``install`` is idempotent).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from django.db.backends.base.base import BaseDatabaseWrapper

from .shape import Audited, audited

#: The function is found by name, so a new body takes a new one: that makes every trigger anew.
ENTRY = "audit_entry_told"
#: A value whose JSON is longer is not copied; the entry says how long it is.
LONGEST = 4000
_TRACED = ("actor_id", "actor_label", "actor_kind", "via", "address", "request_id", "method", "route", "reason")
_VERBS = ("insert", "update", "delete")
_ACTIONS = {"insert": "create", "update": "change", "delete": "delete"}


@dataclass(frozen=True, slots=True)
class Column:
    name: str
    type: str


Tables = dict[str, tuple[Column, ...]]


def wanted(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Name of each trigger that should be there -> the SQL that makes it (PostgreSQL: its function's body)."""
    tables = _tables(connection)
    if "audit_auditentry" not in tables:
        return {}
    return _made(connection.vendor, tuple(sorted(tables.items())))


@lru_cache(maxsize=4)
def _made(vendor: str, found: tuple[tuple[str, tuple[Column, ...]], ...]) -> dict[str, str]:
    tables = dict(found)
    made: dict[str, str] = {}
    for table, shape in audited().items():
        if table not in tables:
            continue
        if vendor == "postgresql":
            made[f"{table}_audited"] = _postgresql(shape, tables)
        else:
            made |= {f"{table}_audited_{verb}": _sqlite(shape, tables, verb) for verb in _VERBS}
    return made


def present(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Name of each trigger that is there and switched on -> what it was made from."""
    if connection.vendor == "postgresql":
        query = """
            SELECT t.tgname, p.prosrc FROM pg_trigger t
            JOIN pg_proc p ON p.oid = t.tgfoid JOIN pg_class c ON c.oid = t.tgrelid
            WHERE NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') AND t.tgname = c.relname || '_audited'
              AND c.relnamespace = current_schema()::regnamespace
        """
    else:
        query = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE '%\\_audited\\_%' ESCAPE '\\'"
    with connection.cursor() as cursor:
        cursor.execute(query)
        return dict(cursor.fetchall())


def install(connection: BaseDatabaseWrapper) -> int:
    """Make what is missing or different, drop what is too much; returns how many triggers were touched."""
    should, are = wanted(connection), present(connection)
    stale = [name for name in are if should.get(name) != are[name]]
    missing = [name for name in should if should[name] != are.get(name)]
    _run(connection, [*_drops(connection, stale), *_makes(connection, {name: should[name] for name in missing})])
    return len(set(stale) | set(missing))


def lift(connection: BaseDatabaseWrapper) -> int:
    """Drop them all, for as long as tables are altered."""
    names = list(present(connection))
    _run(connection, _drops(connection, names))
    return len(names)


def _run(connection: BaseDatabaseWrapper, statements: list[str]) -> None:
    if not statements:
        return
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(";\n".join(statements))
        else:
            for statement in statements:
                cursor.execute(statement)


def _drops(connection: BaseDatabaseWrapper, names: Iterable[str]) -> list[str]:
    if connection.vendor == "postgresql":
        # The trigger goes with its function; another table's trigger cannot hang on it.
        return [f'DROP FUNCTION IF EXISTS "{name}"() CASCADE' for name in names]
    return [f'DROP TRIGGER IF EXISTS "{name}"' for name in names]


def _makes(connection: BaseDatabaseWrapper, bodies: dict[str, str]) -> list[str]:
    if connection.vendor != "postgresql":
        return list(bodies.values())
    made = [_COMMON_POSTGRESQL] if bodies else []
    for name, body in bodies.items():
        table = name.removesuffix("_audited")
        made.append(f'CREATE OR REPLACE FUNCTION "{name}"() RETURNS trigger LANGUAGE plpgsql AS $audit${body}$audit$')
        made.append(f'DROP TRIGGER IF EXISTS "{name}" ON "{table}"')
        made.append(
            f'CREATE TRIGGER "{name}" AFTER INSERT OR UPDATE OR DELETE ON "{table}" '
            f'FOR EACH ROW EXECUTE FUNCTION "{name}"()'
        )
    return made


def _tables(connection: BaseDatabaseWrapper) -> Tables:
    """The tables as the database has them, which in the midst of a migration is not as the models are."""
    if connection.vendor == "postgresql":
        query = """
            SELECT c.relname, a.attname, a.atttypid::regtype::text FROM pg_attribute a
            JOIN pg_class c ON c.oid = a.attrelid
            WHERE c.relkind IN ('r', 'p') AND c.relnamespace = current_schema()::regnamespace
              AND a.attnum > 0 AND NOT a.attisdropped ORDER BY c.relname, a.attnum
        """
    else:
        query = """
            SELECT m.name, p.name, lower(p.type) FROM sqlite_master m JOIN pragma_table_info(m.name) p
            WHERE m.type = 'table' ORDER BY m.name, p.cid
        """
    found: dict[str, list[Column]] = {}
    with connection.cursor() as cursor:
        cursor.execute(query)
        for table, name, kind in cursor.fetchall():
            found.setdefault(table, []).append(Column(name, kind))
    return {table: tuple(columns) for table, columns in found.items()}


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)


def _person(shape: Audited, tables: Tables, row: str) -> str:
    """SQL for the key of the person whom the row is about, NULL where there is none."""
    names = {table: {column.name for column in columns} for table, columns in tables.items()}
    if shape.person is None:
        return "NULL"
    if not shape.hops:
        return f'{row}."{shape.person}"' if shape.person in names[shape.table] else "NULL"
    here = shape.table
    for hop in shape.hops:
        if hop.column not in names[here] or hop.key not in names.get(hop.table, ()):
            return "NULL"
        here = hop.table
    if shape.person not in names[here]:
        return "NULL"
    first, *others = shape.hops
    joins, last = "", "s0"
    for number, hop in enumerate(others, start=1):
        joins += f' JOIN "{hop.table}" s{number} ON s{number}."{hop.key}" = {last}."{hop.column}"'
        last = f"s{number}"
    return (
        f'(SELECT {last}."{shape.person}" FROM "{first.table}" s0{joins} '
        f'WHERE s0."{first.key}" = {row}."{first.column}")'
    )


def _branch(shape: Audited, tables: Tables, row: str) -> str:
    there = {column.name for column in tables[shape.table]}
    return f'{row}."{shape.branch}"' if shape.branch in there else "NULL"


_COMMON_POSTGRESQL = f"""
CREATE OR REPLACE FUNCTION {ENTRY}(
    done text, of_table text, of_row text, person uuid, branch uuid, was jsonb, became jsonb
) RETURNS void LANGUAGE plpgsql AS $audit$
DECLARE
    who jsonb := coalesce(nullif(current_setting('opticshop.trace', true), ''), '{{}}')::jsonb;
BEGIN
    IF who ? 'untold' THEN
        was := (SELECT jsonb_object_agg(each.key, who->'untold') FROM jsonb_each(was) each);
        IF done = 'create' THEN
            became := (SELECT jsonb_object_agg(each.key, who->'untold') FROM jsonb_each(became) each);
        END IF;
    END IF;
    INSERT INTO audit_auditentry (
        {", ".join(_TRACED)}, action, table_name, row_id, customer_id, branch_id, before, after
    ) VALUES (
        (who->>'actor_id')::uuid, coalesce(who->>'actor_label', 'unknown'), coalesce(who->>'actor_kind', 'unknown'),
        coalesce(who->>'via', 'database user ' || session_user),
        coalesce(who->>'address', host(inet_client_addr()))::inet,
        coalesce(who->>'request_id', ''), coalesce(who->>'method', ''), coalesce(who->>'route', ''),
        coalesce(who->>'reason', ''), done, of_table, of_row, person, branch, was, became
    );
END
$audit$"""


def _postgresql(shape: Audited, tables: Tables) -> str:
    """The body of the table's trigger function."""
    columns = tables[shape.table]
    blobs = [column.name for column in columns if column.type == "bytea" and column.name not in shape.secret]
    fingerprints = {
        row: "".join(f'{row}."{name}" := sha256({row}."{name}"); ' for name in blobs) for row in ("OLD", "NEW")
    }
    hidden = ", ".join(f"'{name}'" for name in shape.secret)
    mask = f"WHEN %s.key IN ({hidden}) THEN '\"changed\"'::jsonb" if hidden else ""
    short = (
        f"CASE {mask} WHEN length(%s.value::text) > {LONGEST} "
        "THEN to_jsonb('long: ' || length(%s.value::text) || ' characters') ELSE %s.value END"
    )

    def value(alias: str) -> str:
        return short.replace("%s", alias)

    uncounted = ", ".join(f"'{name}'" for name in shape.counters)
    counts = f"AND o.key NOT IN ({uncounted})" if uncounted else ""

    def call(action: str, row: str, was: str, became: str) -> str:
        return (
            f"PERFORM {ENTRY}('{action}', '{shape.table}', {row}.\"{shape.key}\"::text, "
            f"{_person(shape, tables, row)}, {_branch(shape, tables, row)}, {was}, {became});"
        )

    return f"""
DECLARE
    was jsonb; became jsonb;
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF OLD IS NOT DISTINCT FROM NEW THEN RETURN NULL; END IF;
        {fingerprints["OLD"]}{fingerprints["NEW"]}
        SELECT jsonb_object_agg(o.key, {value("o")}), jsonb_object_agg(o.key, {value("n")}) INTO was, became
        FROM jsonb_each(to_jsonb(OLD)) o JOIN jsonb_each(to_jsonb(NEW)) n ON n.key = o.key
        WHERE o.value IS DISTINCT FROM n.value {counts};
        IF was IS NULL THEN RETURN NULL; END IF;
        {call("change", "NEW", "was", "became")}
    ELSIF TG_OP = 'INSERT' THEN
        {fingerprints["NEW"]}
        SELECT jsonb_object_agg(n.key, {value("n")}) INTO became
        FROM jsonb_each(to_jsonb(NEW) - '{shape.key}') n WHERE n.value NOT IN ('null', '""');
        {call("create", "NEW", "NULL", "became")}
    ELSE
        {fingerprints["OLD"]}
        SELECT jsonb_object_agg(o.key, {value("o")}) INTO was
        FROM jsonb_each(to_jsonb(OLD) - '{shape.key}') o WHERE o.value NOT IN ('null', '""');
        {call("delete", "OLD", "was", "NULL")}
    END IF;
    RETURN NULL;
END
"""


def _sqlite(shape: Audited, tables: Tables, verb: str) -> str:
    """The text of one trigger, exactly as SQLite keeps it."""
    columns = tables[shape.table]
    row = "OLD" if verb == "delete" else "NEW"
    names = {column.name for column in columns}
    counted = [column for column in columns if column.name not in shape.counters]

    def shown(column: Column, row: str) -> str:
        name = f'{row}."{column.name}"'
        if column.name in shape.secret:
            return "'\"changed\"'"
        if column.type == "blob":
            return f"json_quote(opticshop_sha256({name}))"
        if column.type == "char(32)":
            return f"json_quote({_dashed(name)})"
        if column.type in {"text", "jsonb"} or column.type.startswith("varchar"):
            long = f"'long: ' || length({name}) || ' characters'"
            return f"json_quote(CASE WHEN length({name}) > {LONGEST} THEN {long} ELSE {name} END)"
        return f"json_quote({name})"

    def differing(row: str) -> str:
        pieces = [
            f'CASE WHEN OLD."{c.name}" IS NOT NEW."{c.name}" THEN \',"{c.name}":\' || {shown(c, row)} ELSE \'\' END'
            for c in counted
        ]
        return _object(pieces)

    def filled(row: str) -> str:
        pieces = [
            f'CASE WHEN {row}."{c.name}" IS NOT NULL AND {row}."{c.name}" <> \'\' '
            f"THEN ',\"{c.name}\":' || {shown(c, row)} ELSE '' END"
            for c in columns
            if c.name != shape.key
        ]
        return _object(pieces)

    kind = {column.name: column.type for column in columns}.get(shape.key, "")
    key = f'{row}."{shape.key}"' if shape.key in names else "''"
    was = {"insert": "NULL", "update": _told(differing("OLD")), "delete": _told(filled("OLD"))}[verb]
    became = {"insert": _told(filled("NEW")), "update": differing("NEW"), "delete": "NULL"}[verb]
    when = ""
    if verb == "update":
        changed = " OR ".join(f'OLD."{column.name}" IS NOT NEW."{column.name}"' for column in counted)
        when = f"WHEN {changed} "
    who = ", ".join(f"opticshop_trace('{name}')" for name in _TRACED)
    return (
        f'CREATE TRIGGER "{shape.table}_audited_{verb}" AFTER {verb.upper()} ON "{shape.table}" FOR EACH ROW {when}'
        "BEGIN "
        f"INSERT INTO audit_auditentry ({', '.join(_TRACED)}, action, table_name, row_id, customer_id, branch_id, "
        f"before, after) VALUES ({who}, '{_ACTIONS[verb]}', '{shape.table}', "
        f"{_dashed(key) if kind == 'char(32)' else f'CAST({key} AS text)'}, {_person(shape, tables, row)}, "
        f"{_branch(shape, tables, row)}, {was}, {became}); END"
    )


def _told(values: str) -> str:
    return f"opticshop_told({values})"


def _dashed(name: str) -> str:
    cuts = ((1, 8), (9, 4), (13, 4), (17, 4), (21, 12))
    return " || '-' || ".join(f"substr({name}, {start}, {length})" for start, length in cuts)


def _object(pieces: list[str]) -> str:
    """JSON object of the pieces that are not empty, each of which begins with a comma."""
    return "'{' || substr(" + " || ".join(pieces) + ", 2) || '}'"
