"""The fault run in small: a real worker process whose children are killed, Redis flushed, every duty sent twice."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any
from urllib.parse import quote

import pytest
from django.db import connection

from . import machines
from .run import Run

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="workers in processes of their own"),
    pytest.mark.skipif(find_spec("opticshop_text_gateway") is None, reason="needs the text gateway plugin"),
    pytest.mark.skipif(machines.program("redis-server") is None, reason="needs redis-server"),
]


class SmallRun(Run):
    """On the database of the tests, which nobody restarts."""

    def _prepare(self) -> None:
        self.wakes = True  # nobody waits for the interval
        self.machines.start_redis()
        self._start_clock()
        at = connection.settings_dict
        who = f"{quote(at['USER'])}:{quote(at['PASSWORD'])}@" if at["USER"] else ""
        self.environment = self.machines.environment() | {
            "DATABASE_URL": f"postgresql://{who}{at['HOST'] or '127.0.0.1'}:{at['PORT'] or 5432}/{quote(at['NAME'])}"
        }
        self._seed()

    def interval(self, each: Any) -> float:
        return {"core.deliver_events": 0.4, "correspondence.send_due": 0.4, "reminders.notices_due": 2.0}.get(
            each.name, 3600.0
        )


def test_everybody_due_is_told_once_while_workers_are_killed_and_redis_is_flushed(crowd):
    small = machines.Machines(workers=1, beats=0, children=2)
    told = SmallRun(120, machines=small, quiet=True).go(["kill_a_child", "flush_redis", "kill_a_child"])
    assert told.wrong == []
    assert len(told.faults) == 3
    assert told.counts["rows sent"] > 100
