"""Row locks: one call per transaction, rows in key order, a short wait, a typed answer when the wait is over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TypeVar

from django.conf import settings
from django.db import DatabaseError, connection, models, transaction

from .errors import Busy

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
    """Turn lock timeouts, deadlocks and serialization failures of PostgreSQL, and a busy SQLite, into Busy."""
    try:
        yield
    except DatabaseError as error:
        if is_contention(error):
            raise Busy(headers={"Retry-After": "1"}) from error
        raise


def is_contention(error: BaseException) -> bool:
    state = getattr(error.__cause__, "sqlstate", None)
    return state in {"55P03", "40P01", "40001"} or "database is locked" in str(error)
