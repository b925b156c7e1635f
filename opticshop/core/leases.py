"""Running a duty under a lease: one row says who runs it, when it is next due and how the last run went.

The lease only spares needless runs; a duty is right without it.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
import uuid
from contextlib import suppress
from typing import Any

from django.db import close_old_connections, connection
from django.db.models import F, Q

from . import clock
from .duties import Duty, duty_named
from .models import DutyRun

log = logging.getLogger("opticshop.duties")

#: A lease is renewed while the duty runs, so what a killed process held is free again soon.
LEASE = dt.timedelta(seconds=20)
RENEW_SECONDS = 5.0
#: A failed run is tried again after its interval, but at the latest after this.
AGAIN_AFTER_FAILURE = dt.timedelta(minutes=1)


def run_leased(name: str, *, woken: bool = False) -> int | None:
    """Run a duty if it is due (or somebody woke it) and not running already; None if it was not run.

    What the duty raises is written down and raised again.
    """
    each = duty_named(name)
    held = _claimed(each, woken) if each else None
    if each is None or held is None:
        return None
    row, lease = held
    over = threading.Event()
    keeper = threading.Thread(target=_keep, args=(row.pk, lease, over), name=f"lease of {name}", daemon=True)
    keeper.start()
    started = clock.now()
    try:
        handled = each.run()
    except BaseException as error:
        over.set()
        with suppress(Exception):
            if not connection.in_atomic_block:
                close_old_connections()  # it may be the connection that broke
            _give_back(row.pk, lease, each, started, error=error)
        raise
    over.set()
    _give_back(row.pk, lease, each, started, handled=handled)
    return handled


def _claimed(each: Duty, woken: bool) -> tuple[DutyRun, uuid.UUID] | None:
    """A free place of the duty with our lease on it. A moment far ahead was written by a clock that was wrong."""
    now, lease = clock.now(), uuid.uuid4()
    interval = dt.timedelta(seconds=each.every_seconds)
    free = Q(leased_until__isnull=True) | Q(leased_until__lte=now) | Q(leased_until__gt=now + 3 * LEASE)
    due = Q() if woken else Q(due_at__isnull=True) | Q(due_at__lte=now) | Q(due_at__gt=now + 2 * interval + LEASE)
    claim = {"lease": lease, "leased_until": now + LEASE, "last_started_at": now}
    known = {row.place: row for row in DutyRun.objects.filter(name=each.name)}
    for place in range(each.at_once):
        if place not in known:
            DutyRun.objects.bulk_create([DutyRun(name=each.name, place=place)], ignore_conflicts=True)
            known[place] = DutyRun.objects.get(name=each.name, place=place)
        row = known[place]
        if DutyRun.objects.filter(free & due, pk=row.pk).update(**claim):
            return row, lease
    return None


def _keep(row: int, lease: uuid.UUID, over: threading.Event) -> None:
    """Renew the lease until the run is over. That it fails costs at most a needless second run."""
    while not over.wait(RENEW_SECONDS):
        try:
            DutyRun.objects.filter(pk=row, lease=lease).update(leased_until=clock.now() + LEASE)
        except Exception:
            log.warning("a lease could not be renewed", exc_info=True)
        finally:
            connection.close()


def _give_back(
    row: int,
    lease: uuid.UUID,
    each: Duty,
    started: dt.datetime,
    *,
    handled: int = 0,
    error: BaseException | None = None,
) -> None:
    now, interval = clock.now(), dt.timedelta(seconds=each.every_seconds)
    outcome: dict[str, Any] = {"last_finished_at": now, "lease": None, "leased_until": None, "runs": F("runs") + 1}
    if error is None:
        # A little before the interval is over: a scheduler of the same interval must not miss every second turn.
        outcome |= {"due_at": started + 0.9 * interval, "last_succeeded_at": now, "handled": handled, "last_error": ""}
    else:
        outcome["due_at"] = now + min(interval, AGAIN_AFTER_FAILURE)
        outcome["last_error"] = f"{type(error).__name__}: {error}"[:2000].replace("\0", "")
        outcome["failures"] = F("failures") + 1
    DutyRun.objects.filter(pk=row, lease=lease).update(**outcome)
