"""Reads that may be a little old go to a copy of the database, where there is one: only reports ask for it.

``with reading_from_replica():`` around the reads of a report. They stay with the database that everybody uses where no
copy is configured (``DATABASE_REPLICA_URL``), within a transaction (what it wrote would not be seen), where the copy
does not answer, and where it is more than ``OPTICSHOP_REPLICA_LAG_SECONDS`` behind. Which it is, is decided once, at
the beginning: a report is never put together from two states.

How far it is behind: every few seconds some duty writes the end of its run into its row. The newest of these that the
copy knows is at least as old as what the copy lacks. That asks nothing of the way of copying, and finds a copy that is
cut off as well as one that is slow; where no duty runs at all the copy is not used.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, TypeVar

from django.conf import settings
from django.db import DEFAULT_DB_ALIAS, Error, connections, transaction
from django.db.models import Max

from . import clock
from .locks import is_away
from .models import DutyRun

log = logging.getLogger("opticshop.replica")
T = TypeVar("T")

ALIAS = "replica"
#: For so long a process believes what it found out about the copy, in seconds.
BELIEVED_SECONDS = 5.0


@dataclass(frozen=True, slots=True)
class State:
    """``lag`` in seconds; None where the copy does not answer or knows of no run."""

    lag: float | None
    asked_at: float

    @property
    def is_fit(self) -> bool:
        return self.lag is not None and self.lag <= settings.OPTICSHOP_REPLICA_LAG_SECONDS


_chosen: ContextVar[str | None] = ContextVar("database_of_reads", default=None)
_state: State | None = None
_asking = threading.Lock()


def is_configured() -> bool:
    return ALIAS in connections.databases


def state() -> State:
    """What is known of the copy, not older than ``BELIEVED_SECONDS``; asked by one thread, the others take the last."""
    global _state
    known = _state
    if known is not None and time.monotonic() - known.asked_at < BELIEVED_SECONDS:
        return known
    if not _asking.acquire(blocking=known is None):
        return known or State(None, time.monotonic())
    try:
        found = State(_lag(), time.monotonic())
        if known is None or known.is_fit != found.is_fit:
            log.warning("reports read from the %s: the copy is %s", _name_of(found), _words(found))
        _state = found
    finally:
        _asking.release()
    return found


def forget() -> None:
    """Ask again at the next chance."""
    global _state
    _state = None


def _lag() -> float | None:
    try:
        newest = DutyRun.objects.using(ALIAS).aggregate(newest=Max("last_finished_at"))["newest"]
    except Error as error:
        log.warning("the copy of the database does not answer: %s", error)
        connections[ALIAS].close()
        return None
    return max(0.0, (clock.now() - newest).total_seconds()) if newest else None


def _name_of(found: State) -> str:
    return "copy" if found.is_fit else "database of everybody"


def _words(found: State) -> str:
    return "away" if found.lag is None else f"{found.lag:.0f} s behind"


def _alias() -> str:
    if not is_configured() or transaction.get_connection().in_atomic_block:
        return DEFAULT_DB_ALIAS
    return ALIAS if state().is_fit else DEFAULT_DB_ALIAS


@contextmanager
def reading_from_replica() -> Iterator[str]:
    """Within, reads by models go to the copy if it is fit; gives the name of the connection for plain SQL.

    Also a decorator. Writes within go to the database that everybody uses, and are not seen by these reads.
    """
    token = _chosen.set(_chosen.get() or _alias())
    try:
        yield _chosen.get() or DEFAULT_DB_ALIAS
    finally:
        _chosen.reset(token)


def read_from_replica(read: Callable[[], T]) -> T:
    """The result of ``read``; where the copy breaks off in the midst of it, it is read once more where it is safe.

    ``read`` must not be lazy: what it returns is read already.
    """
    with reading_from_replica() as alias:
        try:
            return read()
        except Error as error:
            if alias != ALIAS or not is_away(error):
                raise
            log.warning("the copy of the database broke off: %s", error)
            connections[ALIAS].close()
    global _state
    _state = State(None, time.monotonic())
    with reading_from_replica():
        return read()


def chosen() -> str:
    """The connection of reads at this moment."""
    return _chosen.get() or DEFAULT_DB_ALIAS


class ReplicaRouter:
    """For ``DATABASE_ROUTERS``, where a copy is configured. Rows that came from it are written, and what hangs on them
    is read, where everybody writes."""

    def db_for_read(self, model: type[Any], **hints: Any) -> str:
        if transaction.get_connection().in_atomic_block:
            return DEFAULT_DB_ALIAS
        return chosen()

    def db_for_write(self, model: type[Any], **hints: Any) -> str:
        return DEFAULT_DB_ALIAS

    def allow_relation(self, one: Any, other: Any, **hints: Any) -> bool:
        return True

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool:
        return db == DEFAULT_DB_ALIAS
