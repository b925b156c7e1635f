"""A rolling restart in small: no request fails while instances are renewed in place and restarted one by one.

``tests.upgrade.rolling`` is the same with a database, reads and writes."""

from __future__ import annotations

import os
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from .rolling import Instance, RoundRobin


@pytest.fixture
def environment(tmp_path):
    kept = {key: value for key, value in os.environ.items() if not key.startswith(("OPTICSHOP", "DATABASE", "REDIS"))}
    return kept | {
        "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.production",
        "OPTICSHOP_SECRET_KEY": "a-key-for-tests-only-and-nothing-else-" + "0" * 20,
        "OPTICSHOP_HTTPS": "0",
        "OPTICSHOP_VAR": str(tmp_path),
        "OPTICSHOP_RATE_ANON": "1000000/min",
    }


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_no_request_fails_while_instances_are_restarted(environment, tmp_path):
    robin = RoundRobin([Instance(name, environment, tmp_path, ready="/health/live") for name in ("one", "other")])
    one, other = robin.instances
    stop = threading.Event()

    def asks() -> None:
        while not stop.wait(0.02):
            robin.ask("GET", "/health/live", expect=200)

    clients = [threading.Thread(target=asks) for _ in range(4)]
    try:
        with ThreadPoolExecutor() as both:
            list(both.map(Instance.start, robin.instances))
        for each in clients:
            each.start()
        one.renew()
        robin.restart(other)
        time.sleep(0.5)  # both are asked again
    finally:
        stop.set()
        for each in clients:
            each.join()
        for each in robin.instances:
            each.stop()
    assert robin.wrong == []
    assert all(robin.statuses[name, 200] > 3 for name in ("one", "other"))
