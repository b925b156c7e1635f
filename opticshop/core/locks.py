"""Row locks: one call per transaction, rows in key order, a short wait, a typed answer when the wait is over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar

from django.conf import settings
from django.db import DatabaseError, InterfaceError, OperationalError, connection, models, transaction

from . import reading
from .errors import Busy, DatabaseAway, DomainError, TookTooLong

M = TypeVar("M", bound=models.Model)


def lock_rows(queryset: models.QuerySet[M]) -> list[M]:
    """Lock the rows of the query in primary-key order until the transaction ends; returns them.

    Raises Busy when another transaction holds one for longer than ``OPTICSHOP_LOCK_TIMEOUT_MS``. SQLite takes the
    whole database at the start of a transaction (IMMEDIATE), so there the rows are simply read.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("locks are taken inside a transaction")
    ordered = queryset.order_by("pk")
    if connection.vendor != "postgresql":
        return list(ordered)
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [f"{settings.OPTICSHOP_LOCK_TIMEOUT_MS}ms"])
    with busy_answers():
        return list(ordered.select_for_update(of=("self",)))


@contextmanager
def busy_answers() -> Iterator[None]:
    """Turn lock timeouts, deadlocks and serialization failures of PostgreSQL, statements that it prepared before a
    migration, and a busy SQLite, into Busy."""
    try:
        yield
    except DatabaseError as error:
        if is_contention(error):
            raise Busy(headers={"Retry-After": "1"}) from error
        raise


def is_contention(error: BaseException) -> bool:
    state = getattr(error.__cause__, "sqlstate", None)
    is_passing = state in {"55P03", "40P01", "40001"} or reading.is_outdated(error.__cause__)
    return is_passing or "database is locked" in str(error)


#: Classes of SQLSTATE (PostgreSQL, appendix A): connection exception, insufficient resources, operator intervention by
#: which the server ends connections. A statement that was cancelled (57014) is none of them: see ``refusal_of``.
_AWAY = ("08", "53", "57P")


def is_away(error: BaseException) -> bool:
    """Whether the database could not be reached, or broke the connection off."""
    if isinstance(error, InterfaceError):
        return connection.vendor == "postgresql"
    if not isinstance(error, OperationalError):
        return False
    if connection.vendor != "postgresql":
        return "unable to open database file" in str(error)
    state = getattr(error.__cause__, "sqlstate", None)
    return state is None or state.startswith(_AWAY)


def refusal_of(error: BaseException) -> DomainError | None:
    """What is answered where the database is the reason and it may pass; None for any other error."""
    if is_contention(error):
        return Busy(headers={"Retry-After": "1"})
    if is_away(error):
        return DatabaseAway(headers={"Retry-After": "5"})
    if getattr(error.__cause__, "sqlstate", None) == "57014":  # cancelled: statement_timeout was over
        return TookTooLong(headers={"Retry-After": "10"})
    return None
