"""Reads of money, always limited to the branches in which the actor may see it."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import models
from django.db.models import Case, DecimalField, F, OuterRef, Q, Subquery, Sum, Value, When
from django.db.models.functions import Coalesce, Round

from opticshop.branches.models import Branch
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound
from opticshop.core.money import rounded
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.sums import MoneySum
from opticshop.orders.models import Order, OrderState
from opticshop.orders.selectors import orders_visible_to

from .models import HeldDeposit, Invoice, Payment, Receipt, Settlement, TillDay, TillEntry
from .permissions import BillingPermission

_ZERO = Decimal(0)
_MONEY = DecimalField(max_digits=12, decimal_places=2)


@dataclass(frozen=True, slots=True)
class Balance:
    """What an order costs, what was paid for it (payments less refunds) and what is still owed.

    ``credited`` is what was given back after the supply: the price is lower by it. ``written_off`` is what nobody pays
    any more, ``forfeited`` what is kept of a cancelled order's money. A cancelled order that was never supplied owes
    nothing; what was paid for it and neither given back nor kept is still held.
    """

    total: Decimal
    paid: Decimal
    due: Decimal
    currency: str
    credited: Decimal = _ZERO
    written_off: Decimal = _ZERO
    forfeited: Decimal = _ZERO

    @property
    def covered(self) -> Decimal:
        """What of the price needs no more paying, as long as nothing is supplied: the deposit held."""
        return self.paid + self.written_off - self.forfeited

    @property
    def repayable(self) -> Decimal:
        """What of the money taken is not kept; a refund cannot exceed it."""
        return self.paid - self.forfeited


def balance_of(order: Order) -> Balance:
    """The balance as the payments stand now; lock the order's row first where a decision hangs on it."""
    payments = Payment.objects.everywhere("the money of one order").filter(order_id=order.id)
    money = payments.aggregate(paid=MoneySum("amount"), credited=MoneySum("amount", filter=Q(lowers_price=True)))
    settled = (
        Settlement.objects.everywhere("the money of one order")
        .filter(order_id=order.id)
        .aggregate(
            written_off=MoneySum("amount", filter=Q(kind=Settlement.Kind.WRITE_OFF)),
            forfeited=MoneySum("amount", filter=Q(kind=Settlement.Kind.FORFEIT)),
        )
    )

    def fixed(amount: Decimal | None) -> Decimal:
        return rounded(amount or _ZERO, order.currency)

    total, paid, credited = fixed(order.total), fixed(money["paid"]), -fixed(money["credited"])
    written_off, forfeited = fixed(settled["written_off"]), fixed(settled["forfeited"])
    owes = order.state != OrderState.CANCELLED or is_supplied(order)
    due = total - credited - written_off - paid if owes else fixed(None)
    return Balance(total, paid, due, order.currency, credited, written_off, forfeited)


def is_supplied(order: Order) -> bool:
    """Whether the customer has had the pair. It stays true while it is remade."""
    return order.collected_at is not None


def _summed(rows: models.QuerySet[Any], by: str, amount: Any = "amount") -> Any:
    """The sum of the rows of each outer row, which they name in the column ``by``; nought where there are none."""
    sums = rows.filter(**{by: OuterRef("pk")}).order_by().values(by).annotate(sum=Sum(amount)).values("sum")
    return Coalesce(Subquery(sums, output_field=_MONEY), Value(_ZERO, output_field=_MONEY))


def supplied_and_owing(
    branch: Branch, *, collected_from: dt.datetime, collected_before: dt.datetime
) -> BranchQuerySet[Any]:
    """Orders of a branch supplied within a span of time for which something is still due, with ``owed``; for alerts.

    One query. ``owed`` is ``balance_of(order).due`` of an order that was supplied.
    """
    kept = Payment.objects.everywhere("of orders of one branch").filter(lowers_price=False)
    given_up = Settlement.objects.everywhere("of orders of one branch").filter(kind=Settlement.Kind.WRITE_OFF)
    supplied = Order.objects.everywhere("alerts of a branch").filter(
        branch=branch, collected_at__gte=collected_from, collected_at__lt=collected_before
    )
    left = Round(F("total") - _summed(kept, "order") - _summed(given_up, "order"), precision=2, output_field=_MONEY)
    owing: Any = supplied.annotate(owed=left).filter(owed__gt=0)
    return owing.order_by("id")


def refundable(payment: Payment) -> Decimal:
    """What of a payment was not given back yet."""
    refunds = Payment.objects.everywhere("the refunds of one payment").filter(refunds_id=payment.id)
    return payment.amount + (refunds.aggregate(back=MoneySum("amount"))["back"] or _ZERO)


def payments_visible_to(actor: Actor, permission: str = BillingPermission.VIEW) -> BranchQuerySet[Payment]:
    return Payment.objects.visible_to(actor, permission).select_related("receipt").defer("receipt__content")


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


def till_days_visible_to(actor: Actor, permission: str = BillingPermission.VIEW) -> BranchQuerySet[TillDay]:
    return with_takings(TillDay.objects.visible_to(actor, permission)).prefetch_related("entries")


def with_takings(days: BranchQuerySet[TillDay]) -> BranchQuerySet[TillDay]:
    """Each day with what was taken by method, the cash that was moved, and the cash that should be there now."""
    payments = Payment.objects.everywhere("of till days scoped by the caller")
    moved = Case(When(kind=TillEntry.Kind.PAID_IN, then=F("amount")), default=-F("amount"), output_field=_MONEY)
    movements = TillEntry.objects.filter(kind__in=[TillEntry.Kind.PAID_IN, TillEntry.Kind.PAID_OUT])
    taken = {f"taken_{method}": _summed(payments.filter(method=method), "till_day") for method in Payment.Method.values}
    return days.annotate(**taken, moved=_summed(movements, "till_day", moved)).annotate(  # type: ignore[return-value]
        expected_now=Round(
            Coalesce("expected", F("opening_float") + F("taken_cash") + F("moved")), precision=2, output_field=_MONEY
        )
    )


def expected_cash(till_day: TillDay) -> Decimal:
    """What should be in the till now by the float, the payments and the cash moved, whatever was counted."""
    cash = till_day.payments.filter(method=Payment.Method.CASH).aggregate(sum=MoneySum("amount"))["sum"] or _ZERO
    entries = till_day.entries.aggregate(
        paid_in=MoneySum("amount", filter=Q(kind=TillEntry.Kind.PAID_IN)),
        paid_out=MoneySum("amount", filter=Q(kind=TillEntry.Kind.PAID_OUT)),
    )
    return till_day.opening_float + cash + (entries["paid_in"] or _ZERO) - (entries["paid_out"] or _ZERO)


def held_deposits_visible_to(actor: Actor) -> BranchQuerySet[HeldDeposit]:
    return HeldDeposit.objects.visible_to(actor, BillingPermission.VIEW).select_related("order")


def settlements_visible_to(actor: Actor, permission: str = BillingPermission.VIEW) -> BranchQuerySet[Settlement]:
    return Settlement.objects.visible_to(actor, permission)


def invoices_visible_to(actor: Actor, permission: str = BillingPermission.VIEW) -> BranchQuerySet[Invoice]:
    return Invoice.objects.visible_to(actor, permission)
