"""The door of the books: bookers go through together, who closes a month waits until nobody is in it and holds it.

On PostgreSQL it is the lock of the table of periods. Bookers take ROW SHARE, which they do not refuse one another;
closing takes EXCLUSIVE, which waits for them and lets reading go on. The queue is fair, so neither starves (that for a
row is not: sharers pass by whoever waits for the row alone). SQLite lets one transaction write at a time anyway.
"""

from __future__ import annotations

from django.conf import settings
from django.db import connection

from opticshop.core.locks import busy_answers

from .models import Period


def go_through() -> None:
    """No month is closed or opened until this transaction ends. Raises Busy."""
    _lock("ROW SHARE")


def hold() -> None:
    """Nothing is booked until this transaction ends; what is being booked is waited for. Raises Busy."""
    _lock("EXCLUSIVE")


def _lock(mode: str) -> None:
    if connection.vendor != "postgresql":
        return
    with busy_answers(), connection.cursor() as cursor:
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [f"{settings.OPTICSHOP_LOCK_TIMEOUT_MS}ms"])
        cursor.execute(f"LOCK TABLE {Period._meta.db_table} IN {mode} MODE")
