"""Statements whose SQL is there already, on the shortest way to PostgreSQL that keeps what Django promises.

Django makes a cursor for each statement, wraps it twice, and reads moments with a class of its own, in Python. Here a
connection keeps a cursor, which reads moments as the driver does. Errors become those of Django, wrappers of
statements are called, and where statements are counted or shown, or on another database, Django's own way is gone.

A statement that ``may_be_prepared`` is prepared by the server once a connection has seen it a few times: planning a
join of six tables takes PostgreSQL five times as long as finding its row.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from typing import Any

import psycopg
from django.db.backends.postgresql.base import ServerBindingCursor
from psycopg.pq import TransactionStatus
from psycopg.types.datetime import TimestamptzLoader

#: Names under which a connection keeps its cursors.
_KEPT, _PREPARING = "_opticshop_cursor", "_opticshop_preparing_cursor"
#: Statements that a connection keeps prepared: those that were asked last, each some ten to a hundred kB there.
MOST_PREPARED = 200
_COLUMN = r'(?:"\w+"|[A-Z]\d+)\."\w+"'
#: Values whose type the column beside them tells, and of which the plan does not depend much.
_COMPARED = re.compile(
    rf"(?:{_COLUMN}|LOWER\({_COLUMN}\)) (?:(?:=|<>|<|>|<=|>=) %s|IN \(%s(?:, %s)*\)|= ANY\(%s::uuid\[\]\))"
)


def may_be_prepared(sql: str) -> bool:
    """Whether every value of the statement is compared with a column as it stands. A pattern is no such value: what is
    planned for any might be a hundred times slower than what is planned for this one."""
    return "%s" not in _COMPARED.sub("", sql)


def rows(connection: Any, sql: str, values: Sequence[Any], *, prepares: bool = False) -> list[Any]:
    """The rows of a statement that only reads, as tuples."""
    if _is_watched(connection):
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            found: list[Any] = cursor.fetchall()
            return found
    with connection.wrap_database_errors:
        cursor = _executed(connection, sql, values, only_reads=not connection.in_atomic_block, prepares=prepares)
        found = cursor.fetchall()
    return found


def execute(connection: Any, sql: str, values: Sequence[Any], *, prepares: bool = False) -> int:
    """A statement that gives no rows; how many it wrote."""
    if _is_watched(connection):
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            return int(cursor.rowcount)
    with connection.wrap_database_errors:
        return int(_executed(connection, sql, values, only_reads=False, prepares=prepares).rowcount)


def _is_watched(connection: Any) -> bool:
    return connection.Database is not psycopg or connection.queries_logged or connection.needs_rollback


def _executed(connection: Any, sql: str, values: Sequence[Any], *, only_reads: bool, prepares: bool) -> Any:
    connection.close_if_health_check_failed()
    connection.ensure_connection()
    cursor = kept_cursor(connection, _PREPARING if prepares else _KEPT, prepares=prepares)
    run: Any = partial(_run, cursor)
    for wrapper in reversed(connection.execute_wrappers):
        if not (only_reads and getattr(wrapper, "is_about_transactions", False)):
            run = partial(wrapper, run)
    run(sql, values, False, {"connection": connection, "cursor": cursor})
    return cursor


def kept_cursor(connection: Any, name: str, *, prepares: bool) -> Any:
    """The cursor that the connection keeps under a name: what one has found is gone once it is asked for more."""
    raw = connection.connection
    cursor = raw.__dict__.get(name)
    if cursor is None:
        raw.prepared_max = MOST_PREPARED
        preparing: Any = ServerBindingCursor
        cursor = raw.__dict__[name] = preparing(raw) if prepares else connection.create_cursor()
        if str(connection.timezone) == "UTC":  # then both give the same, for a session's zone is that of its connection
            cursor.adapters.register_loader("timestamptz", TimestamptzLoader)
    return cursor


def _run(cursor: Any, sql: str, values: Sequence[Any], many: bool, context: dict[str, Any]) -> Any:
    try:
        return cursor.execute(sql, values)
    except psycopg.errors.FeatureNotSupported as error:
        # In a transaction nothing can be asked any more, and the driver forgets what was prepared when it is undone.
        raw = cursor.connection
        if not is_outdated(error) or raw.info.transaction_status != TransactionStatus.IDLE:
            raise
        raw.execute("DEALLOCATE ALL")
        return cursor.execute(sql, values)


def is_outdated(error: BaseException | None) -> bool:
    """Whether what was prepared gives other columns since a migration. In every language of the server it is told from
    the same place of it."""
    return isinstance(error, psycopg.Error) and error.diag.source_function == "RevalidateCachedQuery"
