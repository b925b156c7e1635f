"""What purchasing does when it hears of orders and of the bench: lenses made for one order are ordered and followed."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders.models import Order
from opticshop.orders.selectors import order_get_for

from . import services

PURCHASING = system("purchasing")


@outbox.subscribe("orders.placed", "purchasing.order_special_lenses")
def order_special_lenses(event: OutboxEvent) -> None:
    if event.data["special_order"]:
        services.lens_orders_ensure(actor=PURCHASING, order=_order(event))


@outbox.subscribe("orders.cancelled", "purchasing.give_lenses_up")
def give_lenses_up(event: OutboxEvent) -> None:
    services.lens_orders_give_up(actor=PURCHASING, order=_order(event), reason=event.data["reason"])


@outbox.subscribe("workshop.lens_broken", "purchasing.order_lost_lens_again")
def order_lost_lens_again(event: OutboxEvent) -> None:
    """A lens lost before it was cut can go back to its supplier; whichever it is, another one is drafted."""
    facts = event.data
    if not facts["replaced"]:
        is_uncut = facts["step"] == "verify"
        reason = f"Lost at {facts['step']}: {facts['reason']}"
        services.lens_lost(actor=PURCHASING, order=_order(event), eye=facts["eye"], reason=reason, is_uncut=is_uncut)


@outbox.subscribe("workshop.job_opened", "purchasing.order_remake_lenses")
def order_remake_lenses(event: OutboxEvent) -> None:
    """A remake waits for lenses that the workshop wrote off and could not replace."""
    facts = event.data
    if facts["remake_reason"] and facts["state"] == "waiting":
        reason = f"Made again: {facts['remake_reason']}"
        services.lens_orders_ensure(actor=PURCHASING, order=_order(event), eyes=facts["eyes"], reason=reason[:300])


def _order(event: OutboxEvent) -> Order:
    return order_get_for(PURCHASING, event.data["order"])
