"""The duties of alerts. Measured, a whole evaluation is cheap; so no event wakes it early (see docs/alerts.md)."""

from __future__ import annotations

from opticshop.core.actor import system
from opticshop.core.duties import duty

from . import services

ALERTS = system("alerts")


@duty("alerts.evaluate", every_seconds=300, queue="alerts")
def evaluate() -> int:
    return services.alerts_evaluate(actor=ALERTS)


@duty("alerts.make_digests", every_seconds=300, queue="alerts")
def make_digests() -> int:
    return services.digests_make(actor=ALERTS)


@duty("alerts.send_digests", every_seconds=60, queue="messages")
def send_digests() -> int:
    return services.digests_send(actor=ALERTS)
