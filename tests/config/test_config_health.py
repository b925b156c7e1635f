"""Health says what is: alive, ready, degraded, not ready. The API serves while Redis is down, hangs, or comes back."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.cache import caches
from django.core.management import call_command
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder
from django.db.utils import ConnectionHandler
from django.test import Client

from opticshop import core
from opticshop.config import pages
from opticshop.core import caching, clock, duties, throttling
from opticshop.core.caching import RedisOrHereCache
from opticshop.core.models import DutyRun
from opticshop.core.throttling import SignedInThrottle

NOBODY_THERE = "redis://127.0.0.1:1/0"


@pytest.fixture
def silent_redis() -> Iterator[str]:
    """The address of something that takes the connection and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        kept: list[socket.socket] = []

        def accept() -> None:
            try:
                while True:
                    kept.append(server.accept()[0])
            except OSError:
                return

        threading.Thread(target=accept, daemon=True).start()
        yield f"redis://127.0.0.1:{server.getsockname()[1]}/0"
        server.shutdown(socket.SHUT_RDWR)
        for each in kept:
            each.close()


@pytest.fixture
def all_duties_ran(db):
    now = clock.now()
    DutyRun.objects.bulk_create(DutyRun(name=each.name, last_succeeded_at=now) for each in duties.all_duties())


def ready():
    began = time.perf_counter()
    answer = Client().get("/health/ready")
    return answer.status_code, answer.json(), time.perf_counter() - began


def test_the_process_is_alive_whatever_else_is(monkeypatch):
    assert Client().get("/health/live").json()["status"] == "alive"


def test_with_everything_there_it_is_ready(all_duties_ran):
    status, body, _ = ready()
    assert (status, body["status"]) == (200, "ready")
    assert body["parts"] == {"database": "ok", "migrations": "ok", "duties": "ok"}


def test_without_the_database_it_is_not_ready(monkeypatch):
    nobody = {"ENGINE": "django.db.backends.postgresql", "HOST": "127.0.0.1", "PORT": 1, "NAME": "x", "USER": "x"}
    refused = ConnectionHandler({"default": {**nobody, "TEST": {}}})["default"]
    monkeypatch.setattr(pages, "connection", refused)
    status, body, took = ready()
    assert (status, body) == (503, {"status": "not ready", "parts": {"database": "down"}})
    assert took < 2


def test_with_migrations_to_apply_it_is_not_ready(all_duties_ran):
    last = (Path(core.__file__).parent / "migrations" / "max_migration.txt").read_text().strip()
    MigrationRecorder(connection).record_unapplied("core", last)
    status, body, _ = ready()
    assert (status, body["status"]) == (503, "not ready")
    assert body["parts"]["migrations"] == f"not applied: core.{last}"


def test_duties_that_are_late_are_named(all_duties_ran):
    DutyRun.objects.filter(name="core.deliver_events").update(
        last_succeeded_at=clock.now() - 2 * pages.measuring.LATE_AFTER_AT_LEAST
    )
    status, body, _ = ready()
    assert (status, body["status"]) == (200, "degraded")
    assert body["parts"]["duties"] == "late: core.deliver_events"


def test_redis_down_is_told_and_the_service_stays(all_duties_ran, settings):
    settings.REDIS_URL = NOBODY_THERE
    status, body, took = ready()
    assert (status, body["status"], body["parts"]["redis"]) == (200, "degraded", "down")
    assert took < 1


def test_a_redis_that_says_nothing_holds_up_the_answer_less_than_a_second(all_duties_ran, settings, silent_redis):
    settings.REDIS_URL = silent_redis
    ready()
    status, body, took = ready()
    assert (status, body["status"], body["parts"]["redis"]) == (200, "degraded", "down")
    assert took < 1


@pytest.fixture
def counted_in(monkeypatch):
    """Requests are counted in a cache at this address, two a minute for a user."""

    def count(address: str) -> RedisOrHereCache:
        cache = RedisOrHereCache(address, {})
        monkeypatch.setattr(caching, "_breakers", {})
        cache._here.clear()
        monkeypatch.setattr(throttling, "cache", cache)
        monkeypatch.setattr(SignedInThrottle, "get_rate", lambda self: "2/min")
        return cache

    return count


def test_the_api_serves_and_still_counts_while_redis_is_down(api, clerk, counted_in):
    counted_in(NOBODY_THERE)
    client = api(clerk)
    began = time.perf_counter()
    assert [client.get("/api/v1/me/").status_code for _ in range(3)] == [200, 200, 429]
    assert time.perf_counter() - began < 2


def test_the_api_waits_once_for_a_redis_that_says_nothing(api, clerk, counted_in, silent_redis):
    counted_in(silent_redis)
    client = api(clerk)
    client.get("/health/live")
    began = time.perf_counter()
    assert client.get("/api/v1/me/").status_code == 200
    first = time.perf_counter() - began
    assert caching.WAIT_SECONDS <= first < 2
    began = time.perf_counter()
    assert client.get("/api/v1/me/").status_code == 200
    assert time.perf_counter() - began < caching.WAIT_SECONDS


def test_redis_is_asked_again_after_a_while(monkeypatch):
    cache = RedisOrHereCache("redis://127.0.0.1:2/0", {})
    asked = []

    class Answering:
        def get(self, *args):
            asked.append(args[0])
            return "from redis"

    assert cache.get("a") is None
    monkeypatch.setattr(cache, "_redis", Answering())
    assert cache.get("a") is None
    assert asked == []
    monkeypatch.setattr(cache._breaker, "away_until", time.monotonic() - 1)
    assert cache.get("a") == "from redis"
    assert cache.get("a") == "from redis"


def test_a_cache_that_redis_answers_is_the_one_of_the_tests_otherwise():
    assert not isinstance(caches["default"], RedisOrHereCache), "the tests need no Redis"


def test_the_status_of_jobs_names_duties_what_waits_and_a_redis_that_is_down(all_duties_ran, settings, capsys):
    settings.REDIS_URL = NOBODY_THERE
    DutyRun.objects.filter(name="core.deliver_events").update(last_error="RuntimeError: not today", failures=3)
    call_command("jobs_status")
    told = capsys.readouterr().out
    assert "core.deliver_events" in told
    assert "last error: RuntimeError: not today" in told
    assert "0 due in events, the oldest for 0 s" in told
    assert "in Redis: it does not answer" in told


def test_the_status_of_jobs_fails_where_a_duty_is_late(db, capsys):
    with pytest.raises(SystemExit):
        call_command("jobs_status")
    assert "never" in capsys.readouterr().out
