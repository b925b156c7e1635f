"""Several hands at once: jobs in threads of their own that start together, each with its own connection."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

from django.db import connections

from opticshop.core import clock
from opticshop.core.errors import DomainError
from tests.conftest import NOON


def at_once(jobs: Sequence[Callable[[], Any]], *, kept: type[Exception] = DomainError) -> list[Any]:
    """The outcome of each job is what it returned, or what it raised of the kind that is kept; more is raised again.

    The clock is held at noon in every thread: a thread does not inherit the clock that the tests hold.
    """
    gate, unexpected = threading.Barrier(len(jobs)), []
    outcomes: list[Any] = [None] * len(jobs)

    def run(place: int, job: Callable[[], Any]) -> None:
        try:
            with clock.at(NOON):
                gate.wait(60)
                outcomes[place] = job()
        except kept as raised:
            outcomes[place] = raised
        except Exception as error:
            unexpected.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=each) for each in enumerate(jobs)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert not any(thread.is_alive() for thread in threads)
    if unexpected:
        raise unexpected[0]
    return outcomes


def afterwards(look: Callable[[], Any]) -> Any:
    """What somebody else sees after the race."""
    (seen,) = at_once([look], kept=Exception)
    if isinstance(seen, Exception):
        raise seen
    return seen
