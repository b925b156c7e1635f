"""Writes of money: taking a payment for an order and giving one back. Each leaves a numbered receipt and an event."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.money import rounded
from opticshop.orders.models import Order, OrderState
from opticshop.prices.vouchers_models import SchemeVoucher
from opticshop.prices.vouchers_services import voucher_put_back, voucher_redeem

from .. import events, postings, selectors
from ..card_data import refuse_card_data
from ..models import Payment, Receipt, TillDay
from ..permissions import BillingPermission
from ..receipts import content_of
from .accounts import Account, account_open, book, check_amount
from .invoices import credit_for_refund
from .tills import till_day_use


class PaymentUnclear(Invalid):
    """A payment names its amount, or a voucher that says it; a voucher is paid by the method voucher."""

    code = "billing.payment_unclear"
    title = "Say what is paid"


class VoucherGoesBackWhole(Invalid):
    """A voucher that was redeemed is put back as a whole, or not at all."""

    code = "billing.voucher_goes_back_whole"
    title = "A voucher is not given back in part"


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


def payment_take(
    *,
    actor: Actor,
    order: Order,
    amount: Decimal | None = None,
    method: str,
    reference: str = "",
    voucher: SchemeVoucher | None = None,
    till: str = TillDay.MAIN,
) -> Payment:
    """Take money for an order: a deposit until the pair is ready, the balance from then on.

    A voucher of a scheme is redeemed in the same transaction: it says the amount, its value or what is due.

    The order's row is locked, so payments that arrive together cannot exceed the total; so is the till's day, which
    must be open. The receipt is ``payment.receipt``; the journal is booked in the same transaction.
    """
    actor.require(BillingPermission.TAKE, order.branch_id)
    refuse_card_data(reference, field="reference")
    if (amount is None) != (voucher is not None) or (voucher is not None and method != Payment.Method.VOUCHER):
        raise PaymentUnclear(field="amount", allowed="an amount; or a voucher, by the method voucher, without one")
    if amount is not None:
        check_amount(amount, order.currency)
    with transaction.atomic():
        account = account_open(actor=actor, order=order)
        order, balance = account.order, account.balance
        if order.state == OrderState.CANCELLED and not account.is_supplied:
            raise OrderIsCancelled(f"{order.number} is cancelled; nothing is owed for it.", field="order")
        if voucher is not None:
            amount = voucher_redeem(
                actor=actor,
                voucher=voucher,
                order_total_due=balance.due,
                document=f"orders/{order.id}",
                customer_id=order.customer_id,
            )
        assert amount is not None
        if amount > balance.due:
            raise MoreThanDue(
                f"{balance.due} {balance.currency} is due for {order.number}.",
                field="amount",
                allowed={"at_most": str(balance.due)},
                due=str(balance.due),
                currency=balance.currency,
            )
        is_made = order.state in {OrderState.READY, OrderState.COLLECTED}
        payment = Payment(
            branch=order.branch,
            order=order,
            kind=Payment.Kind.BALANCE if is_made else Payment.Kind.DEPOSIT,
            method=Payment.Method(method),
            amount=rounded(amount, order.currency),
            currency=order.currency,
            reference=reference or (voucher.reference if voucher else ""),
            voucher=voucher,
        )
        _carry_out(actor, account, payment, till)
        _record(events.PAYMENT_TAKEN, payment, actor)
    return payment


def payment_refund(
    *,
    actor: Actor,
    payment: Payment,
    amount: Decimal | None = None,
    reason: str,
    till: str = TillDay.MAIN,
) -> Payment:
    """Give a payment back, in part or (without an amount) all that is left of it, by the method it was paid with.

    Before the supply it is a deposit that goes back, and as much is due again. After it the price is lowered by it:
    nothing is owed in its place, and an invoice gets its credit note. A voucher is put back, whole, while it is not
    claimed. Returns the refund, a payment with a negative amount, with its own receipt.
    """
    actor.require(BillingPermission.REFUND, payment.branch_id)
    if not reason.strip():
        raise RefundUnexplained(field="reason")
    refuse_card_data(reason, field="reason")
    if payment.kind == Payment.Kind.REFUND:
        raise NotRefundable("This is itself a refund. Money taken again is a new payment.")
    if amount is not None:
        check_amount(amount, payment.currency)
    with transaction.atomic():
        account = account_open(actor=actor, order=payment.order)
        order = account.order
        left = min(selectors.refundable(payment), account.balance.repayable)
        wanted = left if amount is None else amount
        if wanted > left or not left:
            raise MoreThanPaid(
                f"{left} {payment.currency} is left of this payment.",
                field="amount",
                allowed={"at_most": str(left)},
                left=str(left),
                currency=payment.currency,
            )
        if payment.voucher is not None:
            if wanted != payment.amount:
                raise VoucherGoesBackWhole(field="amount", allowed=str(payment.amount))
            voucher_put_back(actor=actor, voucher=payment.voucher, document=f"orders/{order.id}")
        refund = Payment(
            branch=order.branch,
            order=order,
            kind=Payment.Kind.REFUND,
            method=payment.method,
            amount=-rounded(wanted, payment.currency),
            currency=payment.currency,
            refunds=payment,
            voucher=payment.voucher,
            reason=reason.strip(),
            lowers_price=account.is_supplied,
        )
        _carry_out(actor, account, refund, till)
        _record(events.PAYMENT_REFUNDED, refund, actor, refunds=str(payment.id))
    return refund


def _carry_out(actor: Actor, account: Account, payment: Payment, till: str) -> None:
    """Write the payment into the open till day, its receipt, and the journal; a roll-back gives all numbers back."""
    order, before = account.order, account.balance
    payment.till_day = till_day_use(actor=actor, branch=order.branch, till=till)
    payment.taken_at, payment.taken_by_id = clock.now(), actor.id
    payment.save(force_insert=True)
    lowers = payment.lowers_price
    parts = account.credit_parts(-payment.amount) if lowers else account.parts(payment.amount)
    account.refresh()
    receipt = Receipt.objects.create(
        branch=order.branch,
        number=number_next(branch=order.branch, kind=Series.RECEIPT),
        payment=payment,
        issued_on=clock.today(order.branch.time_zone),
        content=content_of(
            payment=payment,
            order=order,
            lines=account.lines,
            summary=account.summary,
            parts=parts,
            paid_before=before.paid,
            balance_due=account.balance.due,
        ),
    )
    if lowers:
        credit_for_refund(actor, account, payment)
        against = [*postings.sold(parts), *postings.taxes(parts)]
    elif account.is_supplied:
        against = [postings.signed("receivables", -payment.amount, party=postings.party_of(order))]
    else:
        against = postings.held(parts, order)
    book(
        actor,
        order,
        document=f"payments/{payment.id}",
        purpose="payment",
        description=f"{payment.get_kind_display()} for {order.number} by {payment.get_method_display().lower()}",
        postings=[postings.signed(postings.ROLE_OF_METHOD[payment.method], payment.amount), *against],
        reference=receipt.number,
        booked_on=payment.till_day.day,
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
