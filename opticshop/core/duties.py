"""Duties: the small recurring pieces of work of the service, declared once and run either way.

Embedded (one shop, no Redis): ``manage.py jobs_run`` calls them in a loop. With Celery: beat sends their names.
A duty looks for due rows and does them; running it twice, or twice at once, must be harmless.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

log = logging.getLogger("opticshop.duties")


@dataclass(frozen=True, slots=True)
class Duty:
    name: str
    every_seconds: float
    run: Callable[[], int]


_duties: dict[str, Duty] = {}


def duty(name: str, *, every_seconds: float) -> Callable[[Callable[[], int]], Callable[[], int]]:
    """Declare a duty; the function returns how many rows it handled."""

    def register(run: Callable[[], int]) -> Callable[[], int]:
        if name in _duties and _duties[name].run is not run:
            raise ValueError(f"two duties are called {name}")
        _duties[name] = Duty(name, every_seconds, run)
        return run

    return register


def all_duties() -> list[Duty]:
    return sorted(_duties.values(), key=lambda duty: duty.name)


def run_duty(name: str) -> int:
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
