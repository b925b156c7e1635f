"""What every use case of an order's money shares: the lock, the tax parts, the supply booked once, what is held."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Min

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.money import minor_unit, rounded
from opticshop.core.sums import MoneySum
from opticshop.documents.receipt import TaxPart
from opticshop.ledger.models import Entry
from opticshop.ledger.services import PeriodClosed, Posting, journal_post
from opticshop.orders.models import Order, OrderLine, OrderState

from .. import events, postings, selectors
from ..models import HeldDeposit, Payment, Settlement, Supply
from ..receipts import summary_of
from ..tax_parts import parts_as_json, parts_covered, parts_of_payment

_ZERO = Decimal(0)


class AmountNotPayable(Invalid):
    """An amount that is not positive, or finer than the smallest coin of the currency."""

    code = "billing.amount_not_payable"
    title = "This amount cannot be paid"


@dataclass(slots=True)
class Account:
    """The money of one order while its row is locked: nothing of it changes under whoever holds this."""

    order: Order
    lines: list[OrderLine]
    summary: list[TaxPart]
    balance: selectors.Balance

    @property
    def is_supplied(self) -> bool:
        return selectors.is_supplied(self.order)

    @property
    def covered(self) -> Decimal:
        """Of the price: held as a deposit before the supply, needing no more paying after it."""
        return self.balance.total - self.balance.due if self.is_supplied else self.balance.covered

    def parts(self, amount: Decimal) -> list[TaxPart]:
        """What the next ``amount`` covers of each rate of tax, or, negative, no longer covers."""
        return parts_of_payment(self.summary, paid_before=self.covered, amount=amount, currency=self.order.currency)

    def credit_parts(self, amount: Decimal) -> list[TaxPart]:
        """What goes from each rate when the price falls by ``amount`` after the supply; negative."""
        standing = self.balance.total - self.balance.credited
        return parts_of_payment(self.summary, paid_before=standing, amount=-amount, currency=self.order.currency)

    def refresh(self) -> None:
        """Read the balance anew, and keep the row of what is held in step with it."""
        self.balance = selectors.balance_of(self.order)
        rows = HeldDeposit.objects.everywhere("of an order the caller has locked")
        if self.is_supplied or not self.balance.covered:
            rows.filter(order=self.order).delete()
            return
        parts = parts_covered(self.summary, self.balance.covered, self.order.currency)
        payments = Payment.objects.everywhere("of an order the caller has locked").filter(order=self.order)
        since = payments.aggregate(first=Min("taken_at"))["first"] or clock.now()
        rows.bulk_create(
            [
                HeldDeposit(
                    order=self.order,
                    branch=self.order.branch,
                    amount=self.balance.covered,
                    tax=postings.tax_of(parts),
                    currency=self.order.currency,
                    since=since,
                )
            ],
            update_conflicts=True,
            unique_fields=["order"],
            update_fields=["amount", "tax"],
        )


def account_open(*, actor: Actor, order: Order) -> Account:
    """Lock an order's money and bring its books up to what happened to the order. Raises OrderDoesNotAddUp."""
    rows = Order.objects.everywhere("one order, permission checked by the caller").filter(id=order.id)
    order = lock_rows(rows.select_related("branch"))[0]
    lines = list(order.lines.all())
    account = Account(order, lines, summary_of(order, lines), selectors.balance_of(order))
    _take_over(actor, account)
    if account.is_supplied:
        _supply_once(actor, account)
    elif order.state == OrderState.CANCELLED and account.balance.written_off:
        write_offs_undo(actor, account, reason="The order was called off")
    return account


def check_amount(amount: Decimal, currency: str) -> None:
    unit = minor_unit(currency)
    if not amount.is_finite() or amount <= 0 or amount != amount.quantize(unit):
        raise AmountNotPayable(
            f"An amount in {currency} is positive and has at most {-int(unit.as_tuple().exponent)} decimals.",
            field="amount",
            allowed={"at_least": str(unit), "step": str(unit)},
        )


def book(
    actor: Actor,
    order: Order,
    *,
    document: str,
    purpose: str,
    description: str,
    postings: Sequence[Posting],
    reference: str = "",
    booked_on: dt.date | None = None,
) -> None:
    """Book for an order, today in its branch unless another day is given."""
    if not any(posting.debit or posting.credit for posting in postings):
        return
    journal_post(
        actor=actor,
        branch=order.branch,
        booked_on=booked_on or clock.today(order.branch.time_zone),
        purpose=purpose,
        document=document,
        description=description,
        postings=postings,
        reference=reference,
    )


def write_offs_undo(actor: Actor, account: Account, *, reason: str) -> None:
    """Take back the write-offs of an order called off before its supply: nothing is owed, so nothing is lost."""
    standing = Settlement.objects.everywhere("of an order the caller has locked").filter(
        order=account.order, kind=Settlement.Kind.WRITE_OFF, reverses=None, reversed_by=None
    )
    for settlement in standing.order_by("-id"):
        write_off_undo(actor, account, settlement, reason=reason)


def write_off_undo(actor: Actor, account: Account, settlement: Settlement, *, reason: str) -> Settlement:
    """Owe again what was written off: the deposit shrinks before the supply, the customer's debt grows after it."""
    order, amount = account.order, settlement.amount
    parts = account.parts(-amount)
    undone = settlement_write(actor, account, settlement.kind, -amount, parts, reason=reason, reverses=settlement)
    sides = (
        [postings.signed("receivables", amount, party=postings.party_of(order))]
        if account.is_supplied
        else postings.held(parts, order)
    )
    book(
        actor,
        order,
        document=f"settlements/{undone.id}",
        purpose="write_off",
        description=f"Owed again for {order.number}: {reason}",
        postings=[*sides, postings.signed(postings.ROLE_OF_LOSS[settlement.borne_as], -amount)],
        reference=order.number,
    )
    account.refresh()
    return undone


def settlement_write(
    actor: Actor,
    account: Account,
    kind: str,
    amount: Decimal,
    parts: Sequence[TaxPart],
    *,
    reason: str,
    reverses: Settlement | None = None,
    borne_as: str = "",
    tax_treatment: dict[str, object] | None = None,
) -> Settlement:
    """The row and its event; what is booked for it differs."""
    order = account.order
    settlement = Settlement.objects.create(
        branch=order.branch,
        order=order,
        kind=kind,
        amount=rounded(amount, order.currency),
        currency=order.currency,
        tax_parts=parts_as_json(parts),
        tax_treatment=tax_treatment or (reverses.tax_treatment if reverses else {}),
        borne_as=borne_as or (reverses.borne_as if reverses else ""),
        reason=reason[:200],
        reverses=reverses,
        settled_on=clock.today(order.branch.time_zone),
        settled_by_id=actor.id,
    )
    outbox.record(
        event_type=events.SETTLED,
        subject=f"settlements/{settlement.id}",
        actor=actor,
        branch_id=order.branch_id,
        data={
            "settlement": str(settlement.id),
            "order": str(order.id),
            "kind": str(kind),
            "amount": str(settlement.amount),
            "currency": order.currency,
            "reason": settlement.reason,
            "reverses": str(reverses.id) if reverses else None,
        },
    )
    return settlement


def _supply_once(actor: Actor, account: Account) -> None:
    """Turn the deposit into a sale, on the day the pair was collected; a month closed since then gets it today."""
    order = account.order
    if order.collected_at is None or Supply.objects.everywhere("of a locked order").filter(order=order).exists():
        return
    day = order.collected_at.astimezone(ZoneInfo(order.branch.time_zone)).date()
    covered = account.balance.covered
    before = parts_covered(account.summary, covered, order.currency)
    lines = [
        *postings.deposits(postings.minus(parts_covered(account.summary, _ZERO, order.currency), before), order),
        *postings.sold(account.summary),
        *postings.taxes(postings.minus(account.summary, before)),
        postings.signed("receivables", order.total - covered, party=postings.party_of(order)),
    ]
    supply = Supply.objects.create(
        branch=order.branch, order=order, supplied_on=day, covered=covered, currency=order.currency
    )
    outbox.record(
        event_type=events.SUPPLIED,
        subject=f"orders/{order.id}",
        actor=actor,
        branch_id=order.branch_id,
        data={
            "order": str(order.id),
            "supplied_on": supply.supplied_on.isoformat(),
            "covered": str(supply.covered),
            "currency": supply.currency,
        },
    )

    def book_on(booked_on: dt.date | None) -> None:
        book(
            actor,
            order,
            document=f"orders/{order.id}",
            purpose="supply",
            description=f"Supplied: {order.number}",
            postings=lines,
            reference=order.number,
            booked_on=booked_on,
        )

    try:
        book_on(day)
    except PeriodClosed:
        book_on(None)
    account.refresh()


def _take_over(actor: Actor, account: Account) -> None:
    """Book what was paid before this service kept a journal, once, as a balance taken over."""
    order = account.order
    if not account.balance.paid:
        return
    document = f"orders/{order.id}"
    old = (
        Payment.objects.everywhere("of a locked order")
        .filter(order=order, till_day=None)
        .aggregate(sum=MoneySum("amount"))
    )
    amount = rounded(old["sum"] or _ZERO, order.currency)
    booked = Entry.objects.everywhere("of a locked order").filter(document=document, purpose="taken_over")
    if not amount or booked.exists():
        return
    book(
        actor,
        order,
        document=document,
        purpose="taken_over",
        description=f"Paid for {order.number} before the journal began",
        postings=[
            postings.signed("opening_balances", amount),
            *postings.held(parts_covered(account.summary, amount, order.currency), order),
        ],
        reference=order.number,
    )
