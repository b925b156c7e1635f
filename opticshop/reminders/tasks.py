"""What reminders do when they hear of an order or a customer."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.orders.selectors import order_get_for

from . import selectors, services
from .models import Recall

REMINDERS = system("reminders")


@outbox.subscribe("orders.ready", "reminders.queue_ready_message")
def queue_ready_message(event: OutboxEvent) -> None:
    services.ready_message_queue(actor=REMINDERS, order=_order(event))


@outbox.subscribe("orders.collected", "reminders.withdraw_collected")
def withdraw_collected(event: OutboxEvent) -> None:
    services.ready_messages_withdraw(actor=REMINDERS, order=_order(event), reason="The order was collected.")


@outbox.subscribe("orders.cancelled", "reminders.withdraw_cancelled")
def withdraw_cancelled(event: OutboxEvent) -> None:
    services.ready_messages_withdraw(actor=REMINDERS, order=_order(event), reason="The order was cancelled.")


@outbox.subscribe("orders.collected", "reminders.plan_recall")
def plan_recall(event: OutboxEvent) -> None:
    services.recall_plan(actor=REMINDERS, order=_order(event))


@outbox.subscribe("customers.changed", "reminders.close_unwanted_recall")
def close_unwanted_recall(event: OutboxEvent) -> None:
    """Who asks not to be recalled has no planned recall any more."""
    if "wants_recalls" not in event.data.get("fields", ()):
        return
    planned = selectors.recalls_visible_to(REMINDERS).filter(
        customer_id=event.data["customer"], customer__wants_recalls=False, state=Recall.State.PLANNED
    )
    for recall in planned:
        services.recall_close(actor=REMINDERS, recall=recall, reason="The customer asked not to be recalled")


def _order(event: OutboxEvent) -> Order:
    return order_get_for(REMINDERS, event.data["order"])
