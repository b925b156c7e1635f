"""Celery entry points of the kernel: run a duty by name. Everything else is decided by rows."""

from __future__ import annotations

from typing import Any

from celery import shared_task

from . import outbox, partitions
from .duties import Duty, duty, duty_named
from .leases import run_leased
from .waking import Waker


@duty("core.deliver_events", every_seconds=1, queue="events", soft_seconds=60, hard_seconds=180, at_once=2)
def deliver_events() -> int:
    return outbox.deliver_due(seconds=20.0)


@duty("core.forget_idempotency_keys", every_seconds=600, queue="night")
def forget_idempotency_keys() -> int:
    from .idempotency import forget_expired

    return forget_expired()


@duty("core.keep_partitions", every_seconds=600, queue="night")
def keep_partitions() -> int:
    return partitions.keep_due(partitions.EVENTS)


@shared_task(name="core.run_duty", ignore_result=True)
def run_duty_task(name: str, woken: bool = False) -> None:
    run_leased(name, woken=woken)


def message_options(each: Duty) -> dict[str, Any]:
    """How the name of a duty is sent: where to, how long it is worth anything, how long its run may take."""
    return {
        "queue": each.queue,
        "expires": each.expires(),
        "soft_time_limit": each.soft_seconds,
        "time_limit": each.hard_seconds,
        "ignore_result": True,
    }


def wake(name: str) -> None:
    """Ask a worker to run a duty soon; returns at once. A lost message costs only the wait for the next beat."""
    if duty_named(name):
        _waker.wish(name)


def _send(name: str) -> None:
    if each := duty_named(name):
        run_duty_task.apply_async(args=(name,), kwargs={"woken": True}, retry=False, **message_options(each))


_waker = Waker(_send)
