"""The fault run in small: a real worker process whose children are killed, Redis flushed, every duty sent twice."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest
from django.db import connection

from opticshop.correspondence import kinds
from opticshop.pluginhost.testing import using_plugins

from . import machines
from .apps import KIND, declare_kind
from .carrier import plugin
from .people import seed
from .run import Run

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,
    pytest.mark.skipif(connection.vendor != "postgresql", reason="workers in processes of their own"),
    pytest.mark.skipif(machines.program("redis-server") is None, reason="needs redis-server"),
]


class SmallRun(Run):
    """On the database of the tests, which nobody restarts."""

    def _prepare(self) -> None:
        self.wakes = True  # nobody waits for the interval
        self.machines.start_redis()
        at = connection.settings_dict
        who = f"{quote(at['USER'])}:{quote(at['PASSWORD'])}@" if at["USER"] else ""
        self.environment = self.machines.environment(self.carrier.port) | {
            "DATABASE_URL": f"postgresql://{who}{at['HOST'] or '127.0.0.1'}:{at['PORT'] or 5432}/{quote(at['NAME'])}"
        }
        seed(self.people)

    def interval(self, each: Any) -> float:
        return 0.4 if each.name in {"core.deliver_events", "correspondence.send_due"} else 3600.0


@pytest.fixture
def notice(monkeypatch) -> Any:
    monkeypatch.setattr(kinds, "_kinds", dict(kinds._kinds))
    declare_kind()
    with using_plugins([plugin], and_installed=True):
        yield KIND


def test_everybody_due_is_told_once_while_workers_are_killed_and_redis_is_flushed(notice):
    small = machines.Machines(workers=1, beats=0, children=2)
    told = SmallRun(120, machines=small, quiet=True, leap=0.5).go(["kill_a_child", "flush_redis", "kill_a_child"])
    assert told.wrong == []
    assert len(told.faults) == 3
    assert told.counts["rows sent"] > 100
