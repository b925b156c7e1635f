"""A customer's statement: every document of money in order, and what they come to.

A line is what it changes in what the customer owes: a supply adds the price, a payment takes its amount off, a refund
adds it back. A refund after the supply lowers the price by as much and so stands twice. The sum is what is owed for
pairs supplied, less the deposits held for pairs that are not.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from dataclasses import dataclass
from decimal import Decimal
from zoneinfo import ZoneInfo

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.merged import records_of
from opticshop.customers.models import Customer
from opticshop.orders.models import Order

from .models import Payment, Settlement, Supply
from .permissions import BillingPermission

_ZERO = Decimal("0.00")


@dataclass(frozen=True, slots=True)
class StatementLine:
    day: dt.date
    kind: str
    order: uuid.UUID
    order_number: str
    document: str
    amount: Decimal
    balance: Decimal = _ZERO


@dataclass(frozen=True, slots=True)
class Statement:
    customer: uuid.UUID
    currency: str
    owed: Decimal
    held: Decimal
    balance: Decimal
    lines: list[StatementLine]


def customers_visible_to(actor: Actor) -> BranchQuerySet[Customer]:
    """Customers whose money the actor may see."""
    return Customer.objects.visible_to(actor, BillingPermission.VIEW)


def statement_of(actor: Actor, customer: Customer) -> Statement:
    """The customer's documents of money in the branches where the actor may see money."""
    orders = {
        order.id: order
        for order in Order.objects.visible_to(actor, BillingPermission.VIEW)
        .filter(customer__in=records_of(customer.id))
        .select_related("branch")
    }
    supplies = list(Supply.objects.visible_to(actor, BillingPermission.VIEW).filter(order__in=orders))
    supplied = {supply.order_id for supply in supplies}
    found: list[tuple[dt.date, uuid.UUID, StatementLine]] = []

    def add(day: dt.date, key: uuid.UUID, kind: str, order_id: uuid.UUID, document: str, amount: Decimal) -> None:
        found.append((day, key, StatementLine(day, kind, order_id, orders[order_id].number, document, amount)))

    for supply in supplies:
        order = orders[supply.order_id]
        add(supply.supplied_on, supply.id, "supplied", order.id, f"orders/{order.id}", order.total)
    for payment in Payment.objects.visible_to(actor, BillingPermission.VIEW).filter(order__in=orders):
        day = payment.taken_at.astimezone(ZoneInfo(orders[payment.order_id].branch.time_zone)).date()
        kind = "given_back" if payment.kind == Payment.Kind.REFUND else "paid"
        add(day, payment.id, kind, payment.order_id, f"payments/{payment.id}", -payment.amount)
        if payment.lowers_price:
            add(day, payment.id, "credited", payment.order_id, f"payments/{payment.id}", payment.amount)
    for settled in Settlement.objects.visible_to(actor, BillingPermission.VIEW).filter(order__in=orders):
        is_forfeit = settled.kind == Settlement.Kind.FORFEIT
        amount, kind = (settled.amount, "forfeited") if is_forfeit else (-settled.amount, "written_off")
        add(settled.settled_on, settled.id, kind, settled.order_id, f"settlements/{settled.id}", amount)
    found.sort(key=lambda each: each[:2])

    running, by_order = _ZERO, defaultdict[uuid.UUID, Decimal](lambda: _ZERO)
    lines = []
    for _, _, line in found:
        running += line.amount
        by_order[line.order] += line.amount
        lines.append(
            StatementLine(line.day, line.kind, line.order, line.order_number, line.document, line.amount, running)
        )
    owed = sum((amount for order_id, amount in by_order.items() if order_id in supplied), _ZERO)
    held = -sum((amount for order_id, amount in by_order.items() if order_id not in supplied), _ZERO)
    currency = next(iter(orders.values())).currency if orders else customer.branch.currency
    return Statement(customer.id, currency, owed, held, owed - held, lines)
