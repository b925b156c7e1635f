"""Celery entry points of the kernel: run a duty by name. Everything else is decided by rows."""

from __future__ import annotations

import logging

from celery import shared_task

from . import outbox
from .duties import duty, run_duty

log = logging.getLogger("opticshop.duties")


@duty("core.deliver_events", every_seconds=1)
def deliver_events() -> int:
    return outbox.deliver_due()


@duty("core.forget_idempotency_keys", every_seconds=600)
def forget_idempotency_keys() -> int:
    from .idempotency import forget_expired

    return forget_expired()


@shared_task(name="core.run_duty", ignore_result=True)
def run_duty_task(name: str) -> int:
    return run_duty(name)


def wake(name: str) -> None:
    """Ask a worker to run a duty soon. A lost message costs only the wait for the next beat."""
    try:
        run_duty_task.delay(name)
    except Exception:
        log.warning("could not wake %s; the next beat will", name, exc_info=True)
