"""Duties: the small recurring pieces of work of the service, declared once and run either way.

Embedded (one shop, no Redis): ``manage.py jobs_run`` calls them in threads. With Celery: beat sends their names.
A duty looks for due rows and does them; running it twice, or twice at once, must be harmless. ``leases`` spares
needless runs by a row; nothing rests on that.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from inspect import unwrap

from .acting import system_acting

log = logging.getLogger("opticshop.duties")

#: Work that may wait for one another stands in one queue; what hangs holds up its own queue only.
QUEUES = ("events", "webhooks", "messages", "alerts", "imports", "reports", "night")
#: The scheduler asks at least this often; whether a duty is due is said by its row.
ASKED_AT_LEAST_EVERY = 60.0


@dataclass(frozen=True, slots=True)
class Duty:
    """``soft_seconds``: Celery asks the run to end; ``hard_seconds``: Celery kills it. ``at_once``: how many runs of it
    are of use side by side.
    """

    name: str
    every_seconds: float
    run: Callable[[], int]
    queue: str = "events"
    soft_seconds: int = 120
    hard_seconds: int = 150
    at_once: int = 1

    def asked_every(self) -> float:
        """How often the scheduler sends its name, in seconds."""
        return min(self.every_seconds, ASKED_AT_LEAST_EVERY)

    def expires(self) -> float:
        """How long a message with its name is worth anything, in seconds: the next one does as well."""
        return max(30.0, 2 * self.asked_every())


_duties: dict[str, Duty] = {}


def duty(
    name: str,
    *,
    every_seconds: float,
    queue: str = "events",
    soft_seconds: int = 120,
    hard_seconds: int = 150,
    at_once: int = 1,
) -> Callable[[Callable[[], int]], Callable[[], int]]:
    """Declare a duty; the function returns how many rows it handled."""
    if queue not in QUEUES:
        raise ValueError(f"the duty {name} names the queue {queue}; there are {', '.join(QUEUES)}")
    if not 0 < soft_seconds < hard_seconds:
        raise ValueError(f"the duty {name} must be asked to end before it is killed")

    def register(run: Callable[[], int]) -> Callable[[], int]:
        if name in _duties and unwrap(_duties[name].run) is not run:
            raise ValueError(f"two duties are called {name}")
        _duties[name] = Duty(name, every_seconds, _attributed(name, run), queue, soft_seconds, hard_seconds, at_once)
        return run

    return register


def _attributed(name: str, run: Callable[[], int]) -> Callable[[], int]:
    """The duty, done in its own name: that is what the audit trail writes beside what it changes."""

    @wraps(run)
    def attributed() -> int:
        with system_acting(name):
            return run()

    return attributed


def all_duties() -> list[Duty]:
    return sorted(_duties.values(), key=lambda duty: duty.name)


def duty_named(name: str) -> Duty | None:
    """None for a name that another release knew: its messages may still come."""
    return _duties.get(name)


def run_duty(name: str) -> int:
    """Run it now, whatever its row says."""
    return _duties[name].run()


def run_all() -> int:
    """Every duty once; a failing one is logged and does not stop the others."""
    handled = 0
    for each in all_duties():
        try:
            handled += each.run()
        except Exception:
            log.exception("duty %s failed", each.name)
    return handled
