"""Money settled without money moving: a deposit kept of a cancelled order, a debt that is given up."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.ledger.models import Entry
from opticshop.ledger.services import journal_reverse
from opticshop.orders.models import Order, OrderState

from .. import forfeiting, postings
from ..card_data import refuse_card_data
from ..models import Settlement
from ..permissions import BillingPermission
from .accounts import Account, account_open, book, check_amount, settlement_write, write_off_undo

Kind = Settlement.Kind


class NothingToForfeit(Conflict):
    """A deposit is kept only of an order that was called off before its pair was supplied; says where it stands."""

    code = "billing.nothing_to_forfeit"
    title = "No deposit of this order can be kept"


class MoreThanHeld(Invalid):
    """More would be kept than is held; says what is held."""

    code = "billing.more_than_held"
    title = "More than is held"


class NothingOwed(Conflict):
    """Nothing is owed for an order that was called off."""

    code = "billing.nothing_owed"
    title = "Nothing is owed for this order"


class MoreThanOwed(Invalid):
    """More would be written off than is owed; says what is owed."""

    code = "billing.more_than_owed"
    title = "More than is owed"


class SettlementUnexplained(Invalid):
    """What is kept or given up, and what is taken back, needs its reason."""

    code = "billing.settlement_unexplained"
    title = "Say why"


class SettlementUndone(Conflict):
    """It was taken back before, or it is itself what takes another back."""

    code = "billing.settlement_undone"
    title = "This cannot be taken back again"


class MoneyMovedSince(Conflict):
    """Money of the order moved after the deposit was kept: take that back first, the latest first."""

    code = "billing.money_moved_since"
    title = "Money has moved since"


def deposit_forfeit(*, actor: Actor, order: Order, reason: str, amount: Decimal | None = None) -> Settlement:
    """Keep what is held of a cancelled order's money, in part or (without an amount) all of it.

    What may be kept must answer to a real loss (Consumer Rights Act 2015, from memory); the reason says which. The tax
    goes by ``forfeiting``, which is data of low confidence: ask the adviser. Raises NothingToForfeit, MoreThanHeld.
    """
    actor.require(BillingPermission.FORFEIT, order.branch_id)
    reason = _explained(reason)
    if amount is not None:
        check_amount(amount, order.currency)
    with transaction.atomic():
        account = account_open(actor=actor, order=order)
        order, held = account.order, account.balance.repayable
        if order.state != OrderState.CANCELLED or account.is_supplied or not held:
            raise NothingToForfeit(
                f"{order.number} is {order.state}; {held} {order.currency} is held.", field="order", allowed="cancelled"
            )
        kept = held if amount is None else amount
        if kept > held:
            raise MoreThanHeld(
                f"{held} {order.currency} is held for {order.number}.", field="amount", allowed={"at_most": str(held)}
            )
        rule = forfeiting.treatment(order.branch.jurisdiction, clock.today(order.branch.time_zone))
        parts = account.parts(-kept)
        settlement = settlement_write(
            actor, account, Kind.FORFEIT, kept, parts, reason=reason, tax_treatment=rule.as_json()
        )
        released = postings.held(parts, order) if rule.tax_falls_away else postings.deposits(parts, order)
        income = sum((side.credit - side.debit for side in released), Decimal(0))
        book(
            actor,
            order,
            document=f"settlements/{settlement.id}",
            purpose="forfeit",
            description=f"Deposit kept of {order.number}: {reason}",
            postings=[*released, postings.signed("forfeited_deposits", income)],
            reference=order.number,
        )
        account.refresh()
    return settlement


def debt_write_off(
    *, actor: Actor, order: Order, reason: str, borne_as: str, amount: Decimal | None = None
) -> Settlement:
    """Give up what is owed for an order, in part or whole, so that the pair can be handed over or the debt forgotten.

    A pair is not handed over unpaid, so before the supply this is a remainder nobody insists on; after it, what was
    left owing. No tax is reclaimed for it (from memory; relief has conditions: ask the adviser). Raises NothingOwed,
    MoreThanOwed.
    """
    actor.require(BillingPermission.WRITE_OFF, order.branch_id)
    reason = _explained(reason)
    if amount is not None:
        check_amount(amount, order.currency)
    with transaction.atomic():
        account = account_open(actor=actor, order=order)
        order, due = account.order, account.balance.due
        if due <= 0:
            raise NothingOwed(f"Nothing is due for {order.number}, which is {order.state}.", field="order")
        given_up = due if amount is None else amount
        if given_up > due:
            raise MoreThanOwed(
                f"{due} {order.currency} is due for {order.number}.", field="amount", allowed={"at_most": str(due)}
            )
        parts = account.parts(given_up)
        settlement = settlement_write(
            actor, account, Kind.WRITE_OFF, given_up, parts, reason=reason, borne_as=Settlement.Borne(borne_as)
        )
        against = (
            [postings.signed("receivables", -given_up, party=postings.party_of(order))]
            if account.is_supplied
            else postings.held(parts, order)
        )
        book(
            actor,
            order,
            document=f"settlements/{settlement.id}",
            purpose="write_off",
            description=f"Given up for {order.number}: {reason}",
            postings=[postings.signed(postings.ROLE_OF_LOSS[settlement.borne_as], given_up), *against],
            reference=order.number,
        )
        account.refresh()
    return settlement


def settlement_undo(*, actor: Actor, settlement: Settlement, reason: str) -> Settlement:
    """Take a settlement back: the deposit is held again, the debt is owed again. The first stays, its reverse is added.

    A deposit kept is only taken back as long as no money of the order moved after it: then the journal's reversal is
    exact to the penny and to the rate of tax. Raises SettlementUndone, MoneyMovedSince.
    """
    is_forfeit = settlement.kind == Kind.FORFEIT
    actor.require(BillingPermission.FORFEIT if is_forfeit else BillingPermission.WRITE_OFF, settlement.branch_id)
    reason = _explained(reason)
    with transaction.atomic():
        account = account_open(actor=actor, order=settlement.order)
        undone = Settlement.objects.everywhere("of a locked order").filter(reverses=settlement)
        if settlement.reverses_id is not None or undone.exists():
            raise SettlementUndone(field="settlement")
        if not is_forfeit:
            return write_off_undo(actor, account, settlement, reason=reason)
        return _forfeit_undo(actor, account, settlement, reason)


def _forfeit_undo(actor: Actor, account: Account, settlement: Settlement, reason: str) -> Settlement:
    order = account.order
    parts = account.parts(settlement.amount)
    if [part.net for part in parts] != [-Decimal(part["net"]) for part in settlement.tax_parts]:
        raise MoneyMovedSince(f"Money of {order.number} moved after it.", field="settlement")
    undone = settlement_write(
        actor, account, Kind.FORFEIT, -settlement.amount, parts, reason=reason, reverses=settlement
    )
    entry = Entry.objects.everywhere("of a locked order").get(
        document=f"settlements/{settlement.id}", purpose="forfeit", reverses=None
    )
    journal_reverse(actor=actor, entry=entry, booked_on=clock.today(order.branch.time_zone), reason=reason)
    account.refresh()
    return undone


def _explained(reason: str) -> str:
    if not reason.strip():
        raise SettlementUnexplained(field="reason")
    refuse_card_data(reason, field="reason")
    return reason.strip()[:200]
