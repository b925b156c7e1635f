"""What billing does when it hears of an order: book the supply, settle what is called off."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order

from . import services

BILLING = system("billing")


@outbox.subscribe("orders.collected", "billing.book_supply")
def book_supply(event: OutboxEvent) -> None:
    services.supply_book(actor=BILLING, order=_order(event))


@outbox.subscribe("orders.cancelled", "billing.settle_cancelled")
def settle_cancelled(event: OutboxEvent) -> None:
    services.supply_book(actor=BILLING, order=_order(event))


def _order(event: OutboxEvent) -> Order:
    return Order.objects.everywhere("of an event").get(id=event.data["order"])
