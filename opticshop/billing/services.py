"""Writes of money: taking a payment for an order and giving one back. Each leaves a numbered receipt and an event."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.money import minor_unit, rounded
from opticshop.orders.models import Order, OrderState

from . import events, selectors
from .card_data import refuse_card_data
from .models import Payment, Receipt
from .permissions import BillingPermission
from .receipts import content_of

RECEIPT_SERIES = "R"


class AmountNotPayable(Invalid):
    """An amount that is not positive, or finer than the smallest coin of the currency."""

    code = "billing.amount_not_payable"
    title = "This amount cannot be paid"


class MoreThanDue(Invalid):
    """A payment would exceed what is still owed for the order; says what is due."""

    code = "billing.more_than_due"
    title = "More than is due"


class OrderIsCancelled(Conflict):
    """Nothing is taken for an order that was called off."""

    code = "billing.order_cancelled"
    title = "The order is cancelled"


class MoreThanPaid(Invalid):
    """A refund would exceed what is left of the payment; says what is left."""

    code = "billing.more_than_paid"
    title = "More than was paid"


class NotRefundable(Conflict):
    """Money that was given back cannot be given back again; take it as a new payment."""

    code = "billing.not_refundable"
    title = "This is itself a refund"


class RefundUnexplained(Invalid):
    """A refund needs its reason."""

    code = "billing.refund_unexplained"
    title = "Say why the money is given back"


def payment_take(*, actor: Actor, order: Order, amount: Decimal, method: str, reference: str = "") -> Payment:
    """Take money for an order: a deposit until the pair is ready, the balance from then on.

    The order's row is locked, so payments that arrive together cannot exceed the total. The receipt is
    ``payment.receipt``.
    """
    actor.require(BillingPermission.TAKE, order.branch_id)
    refuse_card_data(reference, field="reference")
    _check_amount(amount, order.currency)
    with transaction.atomic():
        order = _locked(order)
        if order.state == OrderState.CANCELLED:
            raise OrderIsCancelled(f"{order.number} is cancelled; nothing is owed for it.", field="order")
        balance = selectors.balance_of(order)
        if amount > balance.due:
            raise MoreThanDue(
                f"{balance.due} {balance.currency} is due for {order.number}.",
                field="amount",
                allowed={"at_most": str(balance.due)},
                due=str(balance.due),
                currency=balance.currency,
            )
        is_made = order.state in {OrderState.READY, OrderState.COLLECTED}
        payment = Payment.objects.create(
            branch=order.branch,
            order=order,
            kind=Payment.Kind.BALANCE if is_made else Payment.Kind.DEPOSIT,
            method=Payment.Method(method),
            amount=rounded(amount, order.currency),
            currency=order.currency,
            reference=reference,
            taken_at=clock.now(),
            taken_by_id=actor.id,
        )
        _receipt_write(payment, order, balance)
        _record(events.PAYMENT_TAKEN, payment, actor)
    return payment


def payment_refund(*, actor: Actor, payment: Payment, amount: Decimal | None = None, reason: str) -> Payment:
    """Give a payment back, in part or (without an amount) all that is left of it, by the method it was paid with.

    Returns the refund, a payment with a negative amount, with its own receipt.
    """
    actor.require(BillingPermission.REFUND, payment.branch_id)
    if not reason.strip():
        raise RefundUnexplained(field="reason")
    refuse_card_data(reason, field="reason")
    if payment.kind == Payment.Kind.REFUND:
        raise NotRefundable("This is itself a refund. Money taken again is a new payment.")
    if amount is not None:
        _check_amount(amount, payment.currency)
    with transaction.atomic():
        order = _locked(payment.order)
        left, balance = selectors.refundable(payment), selectors.balance_of(order)
        wanted = left if amount is None else amount
        if wanted > left or not left:
            raise MoreThanPaid(
                f"{left} {payment.currency} is left of this payment.",
                field="amount",
                allowed={"at_most": str(left)},
                left=str(left),
                currency=payment.currency,
            )
        refund = Payment.objects.create(
            branch=order.branch,
            order=order,
            kind=Payment.Kind.REFUND,
            method=payment.method,
            amount=-rounded(wanted, payment.currency),
            currency=payment.currency,
            refunds=payment,
            reason=reason.strip(),
            taken_at=clock.now(),
            taken_by_id=actor.id,
        )
        _receipt_write(refund, order, balance)
        _record(events.PAYMENT_REFUNDED, refund, actor, refunds=str(payment.id))
    return refund


def _locked(order: Order) -> Order:
    """The order's row, locked: all money of one order is taken and given back one at a time."""
    rows = Order.objects.everywhere("one order, permission checked by the caller").filter(id=order.id)
    return lock_rows(rows.select_related("branch"))[0]


def _check_amount(amount: Decimal, currency: str) -> None:
    unit = minor_unit(currency)
    if not amount.is_finite() or amount <= 0 or amount != amount.quantize(unit):
        raise AmountNotPayable(
            f"An amount in {currency} is positive and has at most {-int(unit.as_tuple().exponent)} decimals.",
            field="amount",
            allowed={"at_least": str(unit), "step": str(unit)},
        )


def _receipt_write(payment: Payment, order: Order, before: selectors.Balance) -> None:
    """Write the receipt in the payment's transaction; a roll-back gives its number back."""
    after = selectors.balance_of(order)
    content = content_of(payment=payment, order=order, paid_before=before.paid, balance_due=after.due)
    Receipt.objects.create(
        branch=order.branch,
        number=number_next(branch=order.branch, kind=RECEIPT_SERIES),
        payment=payment,
        issued_on=clock.today(order.branch.time_zone),
        content=content,
    )


def _record(event_type: str, payment: Payment, actor: Actor, **more: str) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"payments/{payment.id}",
        actor=actor,
        branch_id=payment.branch_id,
        data={
            "payment": str(payment.id),
            "order": str(payment.order_id),
            "receipt": str(payment.receipt.id),
            "kind": str(payment.kind),
            "method": str(payment.method),
            "amount": str(payment.amount),
            "currency": payment.currency,
            **more,
        },
    )
