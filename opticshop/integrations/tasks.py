"""Hears of everything, for the feed and the webhooks; and the duty that sends."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.duties import duty
from opticshop.core.models import OutboxEvent

from . import feed, retention, sending


@outbox.subscribe(outbox.EVERY_TYPE, feed.HANDLER)
def place_in_feed(event: OutboxEvent) -> None:
    feed.place(event)


@duty("integrations.send_webhooks", every_seconds=1, queue="webhooks")
def send_webhooks() -> int:
    return sending.send_due()


@duty("integrations.forget", every_seconds=3600, queue="night", soft_seconds=150, hard_seconds=240)
def forget() -> int:
    return retention.forget(seconds=60.0).rows
