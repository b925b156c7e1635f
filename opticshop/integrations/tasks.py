"""Hears of everything, for the feed and the webhooks; and the duty that sends."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.duties import duty
from opticshop.core.models import OutboxEvent

from . import feed, sending


@outbox.subscribe(outbox.EVERY_TYPE, feed.HANDLER)
def place_in_feed(event: OutboxEvent) -> None:
    feed.place(event)


@duty("integrations.send_webhooks", every_seconds=1, queue="webhooks")
def send_webhooks() -> int:
    return sending.send_due()
