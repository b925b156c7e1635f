"""Statements whose SQL is there already, on the shortest way to PostgreSQL that keeps what Django promises.

Django makes a cursor for each statement, wraps it twice, and reads moments with a class of its own, in Python. Here a
connection keeps one cursor, which reads moments as the driver does. Errors become those of Django, wrappers of
statements are called, and where statements are counted or shown, or on another database, Django's own way is gone.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import psycopg
from psycopg.types.datetime import TimestamptzLoader

_KEPT = "_opticshop_cursor"


def rows(connection: Any, sql: str, values: Sequence[Any]) -> list[Any]:
    """The rows of a statement that only reads, as tuples."""
    if _is_watched(connection):
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
            found: list[Any] = cursor.fetchall()
            return found
    with connection.wrap_database_errors:
        cursor = _executed(connection, sql, values, only_reads=not connection.in_atomic_block)
        found = cursor.fetchall()
    return found


def execute(connection: Any, sql: str, values: Sequence[Any]) -> None:
    """A statement that gives no rows."""
    if _is_watched(connection):
        with connection.cursor() as cursor:
            cursor.execute(sql, values)
        return
    with connection.wrap_database_errors:
        _executed(connection, sql, values, only_reads=False)


def _is_watched(connection: Any) -> bool:
    return connection.Database is not psycopg or connection.queries_logged or connection.needs_rollback


def _executed(connection: Any, sql: str, values: Sequence[Any], *, only_reads: bool) -> Any:
    connection.close_if_health_check_failed()
    connection.ensure_connection()
    raw = connection.connection
    cursor = raw.__dict__.get(_KEPT)
    if cursor is None:
        cursor = raw.__dict__[_KEPT] = connection.create_cursor()
        if str(connection.timezone) == "UTC":  # then both give the same, for a session's zone is that of its connection
            cursor.adapters.register_loader("timestamptz", TimestamptzLoader)
    run: Any = partial(_run, cursor)
    for wrapper in reversed(connection.execute_wrappers):
        if not (only_reads and getattr(wrapper, "is_about_transactions", False)):
            run = partial(wrapper, run)
    run(sql, values, False, {"connection": connection, "cursor": cursor})
    return cursor


def _run(cursor: Any, sql: str, values: Sequence[Any], many: bool, context: dict[str, Any]) -> Any:
    return cursor.execute(sql, values)
