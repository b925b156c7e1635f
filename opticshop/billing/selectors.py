"""Reads of money, always limited to the branches in which the actor may see it."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Sum

from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.money import rounded
from opticshop.core.scoping import BranchQuerySet
from opticshop.orders.models import Order, OrderState
from opticshop.orders.selectors import orders_visible_to

from .models import Payment, Receipt
from .permissions import BillingPermission


@dataclass(frozen=True, slots=True)
class Balance:
    """What an order costs, what was paid for it (payments less refunds) and what is still owed.

    A cancelled order owes nothing; what was paid for it and not given back is still ``paid``.
    """

    total: Decimal
    paid: Decimal
    due: Decimal
    currency: str


def balance_of(order: Order) -> Balance:
    """The balance as the payments stand now; lock the order's row first where a decision hangs on it."""
    payments = Payment.objects.everywhere("the money of one order").filter(order_id=order.id)
    paid = rounded(payments.aggregate(paid=Sum("amount"))["paid"] or Decimal(0), order.currency)
    total = rounded(order.total, order.currency)
    due = rounded(Decimal(0), order.currency) if order.state == OrderState.CANCELLED else total - paid
    return Balance(total=total, paid=paid, due=due, currency=order.currency)


def refundable(payment: Payment) -> Decimal:
    """What of a payment was not given back yet."""
    refunds = Payment.objects.everywhere("the refunds of one payment").filter(refunds_id=payment.id)
    return payment.amount + (refunds.aggregate(back=Sum("amount"))["back"] or Decimal(0))


def payments_visible_to(actor: Actor, permission: str = BillingPermission.VIEW) -> BranchQuerySet[Payment]:
    return Payment.objects.visible_to(actor, permission).select_related("receipt")


def payment_get_for(actor: Actor, payment_id: uuid.UUID, *, permission: str = BillingPermission.VIEW) -> Payment:
    """The payment, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = payments_visible_to(actor, permission).filter(id=payment_id).first()
    if found is None:
        raise NotFound(f"There is no payment {payment_id} here.", field="payment")
    return found


def receipts_visible_to(actor: Actor) -> BranchQuerySet[Receipt]:
    return Receipt.objects.visible_to(actor, BillingPermission.VIEW).select_related("payment")


def orders_with_money_visible_to(actor: Actor) -> BranchQuerySet[Order]:
    """Orders whose balance the actor may see."""
    return orders_visible_to(actor, BillingPermission.VIEW).prefetch_related(None)
