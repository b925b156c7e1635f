"""Duties: declared with a queue and limits, run once at a time by a lease, woken without a wait."""

from __future__ import annotations

import datetime as dt
import threading
import time

import pytest
from celery import Celery
from django.conf import settings

from opticshop.core import clock, duties, leases
from opticshop.core.models import DutyRun
from opticshop.core.tasks import message_options
from opticshop.core.waking import Waker

pytestmark = pytest.mark.django_db


@pytest.fixture
def only(monkeypatch):
    """No duties but those that the test declares."""
    monkeypatch.setattr(duties, "_duties", {})


@pytest.fixture
def counted(only):
    runs: list[int] = []

    @duties.duty("test.count", every_seconds=60)
    def count() -> int:
        runs.append(1)
        return len(runs)

    return runs


def later(**gone):
    return clock.at(clock.now() + dt.timedelta(**gone))


def test_a_duty_is_run_when_it_is_due_and_its_row_says_how_it_went(counted):
    assert leases.run_leased("test.count") == 1
    assert leases.run_leased("test.count") is None, "its interval is not over"
    with later(seconds=60):
        assert leases.run_leased("test.count") == 2
    row = DutyRun.objects.get(name="test.count")
    assert (row.runs, row.failures, row.handled, row.lease, row.last_error) == (2, 0, 2, None, "")


def test_who_wakes_a_duty_does_not_wait_for_its_interval(counted):
    leases.run_leased("test.count")
    assert leases.run_leased("test.count", woken=True) == 2


def test_a_duty_that_is_held_is_not_run_until_its_lease_has_ended(counted):
    leases.run_leased("test.count")
    now = clock.now()
    DutyRun.objects.update(lease="0190" + "0" * 28, leased_until=now + leases.LEASE, due_at=now)
    assert leases.run_leased("test.count", woken=True) is None
    with later(seconds=21):
        assert leases.run_leased("test.count") == 2


def test_what_a_clock_gone_wrong_has_written_holds_up_nothing(counted):
    leases.run_leased("test.count")
    far = clock.now() + dt.timedelta(days=400)
    DutyRun.objects.update(leased_until=far, due_at=far)
    assert leases.run_leased("test.count") == 2


def test_a_failed_run_is_written_down_and_tried_again_within_a_minute(only):
    @duties.duty("test.daily", every_seconds=86400)
    def fail() -> int:
        raise RuntimeError("not today")

    with pytest.raises(RuntimeError):
        leases.run_leased("test.daily")
    row = DutyRun.objects.get()
    assert (row.failures, row.last_error, row.last_succeeded_at) == (1, "RuntimeError: not today", None)
    assert leases.run_leased("test.daily") is None
    with later(seconds=61), pytest.raises(RuntimeError):
        leases.run_leased("test.daily")


def test_a_run_that_was_killed_is_due_again_though_its_interval_is_long(only):
    ran = []

    @duties.duty("test.daily", every_seconds=86400)
    def work() -> int:
        ran.append(1)
        return 0

    leases.run_leased("test.daily")
    with later(days=1):
        # As a process leaves it that is killed while it runs: held, started, never ended.
        DutyRun.objects.update(lease="0190" + "0" * 28, leased_until=clock.now() + leases.LEASE)
        assert leases.run_leased("test.daily") is None
        with later(seconds=21):
            assert leases.run_leased("test.daily") == 0


def test_a_duty_of_two_places_is_run_twice_at_once_and_no_more(only):
    inner: list[int | None] = []

    @duties.duty("test.wide", every_seconds=1, at_once=2)
    def wide() -> int:
        if len(inner) < 2:
            inner.append(leases.run_leased("test.wide", woken=True))
        return 7

    assert leases.run_leased("test.wide") == 7
    assert inner == [None, 7], "the third was refused, the second ran"


def test_a_name_that_this_release_does_not_know_is_let_pass(only):
    assert leases.run_leased("test.of_the_release_before") is None


def test_a_duty_names_a_queue_that_there_is(only):
    with pytest.raises(ValueError, match="events, webhooks"):
        duties.duty("test.astray", every_seconds=1, queue="somewhere")


def test_redis_hides_a_message_for_longer_than_any_duty_may_run():
    # Documentation of Celery, "Using Redis", "Visibility timeout": what is not acknowledged by then is given out again.
    hidden = settings.CELERY_BROKER_TRANSPORT_OPTIONS["visibility_timeout"]
    limits = [each.hard_seconds for each in duties.all_duties()] + [settings.CELERY_TASK_TIME_LIMIT]
    assert len(limits) > 5
    assert hidden >= 2 * max(limits)


def test_each_duty_is_sent_to_its_queue_with_limits_and_without_piling_up():
    for each in duties.all_duties():
        options = message_options(each)
        assert options["queue"] in duties.QUEUES
        assert options["soft_time_limit"] < options["time_limit"]
        assert options["expires"] <= 2 * duties.ASKED_AT_LEAST_EVERY
        assert each.asked_every() <= duties.ASKED_AT_LEAST_EVERY


def test_celery_listens_to_every_queue_and_beat_asks_for_every_duty():
    from opticshop.config.celery import app

    app.finalize()
    assert [queue.name for queue in app.conf.task_queues] == list(duties.QUEUES)
    schedule = app.conf.beat_schedule
    assert {each.name for each in duties.all_duties()} <= set(schedule)
    entry = schedule["core.deliver_events"]
    assert entry["options"]["queue"] == "events"
    assert app.conf.task_acks_late
    assert app.conf.task_reject_on_worker_lost
    assert app.conf.result_backend is None
    assert app.conf.accept_content == ["json"]
    assert app.conf.worker_prefetch_multiplier == 1


def test_waking_never_waits_and_many_wishes_make_one_message():
    sent, go = [], threading.Event()

    def slow(name: str) -> None:
        sent.append(name)
        go.wait(5)

    waker = Waker(slow)
    began = time.perf_counter()
    for _ in range(1000):
        waker.wish("core.deliver_events")
    assert time.perf_counter() - began < 0.5
    _until(lambda: sent)
    for _ in range(1000):
        waker.wish("core.deliver_events")
    go.set()
    _until(lambda: len(sent) == 2)
    time.sleep(0.15)
    assert len(sent) == 2


def test_after_a_failure_redis_is_left_alone_for_a_while():
    tried = []

    def refuse(name: str) -> None:
        tried.append(name)
        raise ConnectionRefusedError

    waker = Waker(refuse)
    waker.wish("core.deliver_events")
    _until(lambda: tried)
    time.sleep(0.02)
    for _ in range(100):
        waker.wish("core.deliver_events")
    time.sleep(0.15)
    assert len(tried) == 1


def test_sending_to_a_redis_that_is_down_fails_soon():
    app = Celery("test", broker="redis://127.0.0.1:1/0", set_as_current=False)
    app.conf.broker_transport_options = settings.CELERY_BROKER_TRANSPORT_OPTIONS
    began = time.perf_counter()
    with pytest.raises(Exception, match="refused"):
        app.send_task("core.run_duty", args=("core.deliver_events",), retry=False)
    assert time.perf_counter() - began < 3


def _until(true) -> None:
    ends = time.monotonic() + 5
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.01)
