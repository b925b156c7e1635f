"""The day of a till: opened with its float, counted, closed over or short, reopened with a reason."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import busy_answers, lock_rows
from opticshop.core.money import minor_unit, rounded
from opticshop.ledger.services import journal_post

from .. import denominations, events, selectors
from ..card_data import refuse_card_data
from ..models import TillDay, TillEntry
from ..permissions import BillingPermission
from ..postings import signed

State, Kind, Purpose = TillDay.State, TillEntry.Kind, TillEntry.Purpose
ROLE_OF_PURPOSE: dict[str, str] = {Purpose.BANK: "bank", Purpose.PETTY_CASH: "petty_cash"}
_ZERO = Decimal(0)


class TillDayClosed(Conflict):
    """Today's till is closed: nothing more is taken, given back or moved, until a manager reopens it with a reason."""

    code = "billing.till_day_closed"
    title = "The till is closed for today"


class TillNotOpen(Conflict):
    """Only the main till opens by itself; another one is opened with its float first."""

    code = "billing.till_not_open"
    title = "This till is not open today"


class TillAlreadyOpen(Conflict):
    """The till has its day already, opened by somebody or by the first money; count it instead."""

    code = "billing.till_already_open"
    title = "This till has its day already"


class TillNotCounted(Conflict):
    """Cash moved since the last count, or nobody counted; says what should be there."""

    code = "billing.till_not_counted"
    title = "Count the till first"


class TillMovedOn(Conflict):
    """A later day of this till stands on what this one left; put it right there, by moving cash with a reason."""

    code = "billing.till_moved_on"
    title = "A later day stands on this one"


class NotThatMuchCash(Invalid):
    """More cash would leave the till than is in it; says what is there."""

    code = "billing.not_that_much_cash"
    title = "There is not so much cash in the till"


class CountUnclear(Invalid):
    """A count is either notes and coins or one amount of cash, not below nothing."""

    code = "billing.count_unclear"
    title = "Say what was counted"


class TillUnexplained(Invalid):
    """Cash that moves without a sale, and a day that is opened again, need their reason."""

    code = "billing.till_unexplained"
    title = "Say why"


def till_open(
    *,
    actor: Actor,
    branch: Branch,
    till: str = TillDay.MAIN,
    pieces: Mapping[str, int] | None = None,
    amount: Decimal | None = None,
) -> TillDay:
    """Begin the day of a till with the float that was counted into it.

    What differs from what the day before left is booked: on the very first day as brought from the bank, later as over
    or short. Raises TillAlreadyOpen.
    """
    actor.require(BillingPermission.TILL, branch.id)
    cash, notes = _counted(pieces, amount, branch.currency)
    with transaction.atomic():
        day = clock.today(branch.time_zone)
        if _of(branch, till).filter(day__gte=day).exists():
            raise TillAlreadyOpen(f"{till} of {branch.code} has its {day}.", field="till", allowed="count")
        made, is_first = _day_make(actor, branch, till, day, opening_float=cash)
        if made is None:
            raise TillAlreadyOpen(f"{till} of {branch.code} has its {day}.", field="till", allowed="count")
        entry = _entry(actor, made, Kind.OPENED, amount=cash, expected=made.carried, pieces=notes)
        _book_cash(actor, made, entry, cash - made.carried, against="bank" if is_first else "till_difference")
        _tell(events.TILL_OPENED, actor, made, entry)
    return made


def till_day_use(*, actor: Actor, branch: Branch, till: str = TillDay.MAIN) -> TillDay:
    """Today's day of a till, locked until the transaction ends, for money that is about to be taken or given back.

    The main till that nobody opened opens here, with what the day before left. A day that has begun is not taken back
    by a clock that is behind. Raises TillDayClosed, TillNotOpen.
    """
    day = clock.today(branch.time_zone)
    today = _of(branch, till).filter(day__gte=day)
    found = lock_rows(today)
    if not found:
        if till != TillDay.MAIN:
            raise TillNotOpen(
                f"{till} of {branch.code} was not opened on {day}.", field="till", allowed="open it first"
            )
        made, _ = _day_make(actor, branch, till, day, opening_float=None)
        found = [made] if made is not None else lock_rows(today)
    till_day = max(found, key=lambda row: row.day)
    _check_open(till_day)
    return till_day


def till_count(
    *, actor: Actor, till_day: TillDay, pieces: Mapping[str, int] | None = None, amount: Decimal | None = None
) -> TillEntry:
    """Write down what is in the till and what should be. Nothing is booked before the day is closed."""
    actor.require(BillingPermission.TILL, till_day.branch_id)
    cash, notes = _counted(pieces, amount, till_day.currency)
    with transaction.atomic():
        till_day = _locked(till_day)
        expected = selectors.expected_cash(till_day)
        entry = _entry(actor, till_day, Kind.COUNTED, amount=cash, expected=expected, pieces=notes)
        _tell(events.TILL_COUNTED, actor, till_day, entry)
    return entry


def till_pay_in(*, actor: Actor, till_day: TillDay, amount: Decimal, purpose: str, reason: str) -> TillEntry:
    """Bring cash into the till that is no sale: change from the bank, petty cash that came back."""
    return _move(actor, till_day, Kind.PAID_IN, amount, purpose, reason)


def till_pay_out(*, actor: Actor, till_day: TillDay, amount: Decimal, purpose: str, reason: str) -> TillEntry:
    """Take cash out of the till that is no refund: to the bank, for a small expense. Raises NotThatMuchCash."""
    return _move(actor, till_day, Kind.PAID_OUT, amount, purpose, reason)


def till_close(*, actor: Actor, till_day: TillDay, banked: Decimal = _ZERO) -> TillDay:
    """End the day by its last count: over or short is booked, ``banked`` goes to the bank, the rest stays as float.

    Raises TillNotCounted when cash has moved since the count, NotThatMuchCash.
    """
    actor.require(BillingPermission.TILL, till_day.branch_id)
    if banked:
        _check_amount(banked, till_day.currency)
    with transaction.atomic():
        till_day = _locked(till_day)
        expected = selectors.expected_cash(till_day)
        count = till_day.entries.filter(kind=Kind.COUNTED).order_by("-id").first()
        if count is None or count.expected != expected:
            raise TillNotCounted(
                f"{expected} {till_day.currency} should be there; count it.",
                field="till_day",
                allowed=["count"],
                expected=str(expected),
            )
        if banked > count.amount:
            raise NotThatMuchCash(
                f"{count.amount} {till_day.currency} was counted.",
                field="banked",
                allowed={"at_most": str(count.amount)},
            )
        entry = _entry(actor, till_day, Kind.CLOSED, amount=count.amount - expected, expected=expected)
        _book_cash(actor, till_day, entry, count.amount - expected, against="till_difference")
        if banked:
            to_bank = _entry(
                actor,
                till_day,
                Kind.PAID_OUT,
                amount=banked,
                expected=count.amount,
                purpose=Purpose.BANK,
                reason="Banked",
            )
            _book_cash(actor, till_day, to_bank, -banked, against="bank")
        till_day.state, till_day.closed_at, till_day.closed_by_id = State.CLOSED, clock.now(), actor.id
        till_day.expected, till_day.counted, till_day.left_over = expected, count.amount, count.amount - banked
        till_day.save()
        _tell(events.TILL_CLOSED, actor, till_day, entry)
    return till_day


def till_reopen(*, actor: Actor, till_day: TillDay, reason: str) -> TillDay:
    """Open a closed day again, as long as no later one stands on it. Over and short are taken back; banked is banked.

    Raises TillMovedOn, TillAlreadyOpen, TillUnexplained.
    """
    actor.require(BillingPermission.REOPEN_TILL, till_day.branch_id)
    reason = _explained(reason)
    with transaction.atomic():
        [till_day] = lock_rows(_by_key(till_day))
        if till_day.state == State.OPEN:
            raise TillAlreadyOpen(f"{till_day.day} is open.", field="till_day")
        if _of(till_day.branch, till_day.till).filter(day__gt=till_day.day).exists():
            raise TillMovedOn(
                f"{till_day.till} has a day after {till_day.day}.", field="till_day", allowed="paid-in or -out"
            )
        difference = till_day.difference or _ZERO
        till_day.state, till_day.closed_at, till_day.closed_by = State.OPEN, None, None
        till_day.expected = till_day.counted = till_day.left_over = None
        till_day.save()
        expected = selectors.expected_cash(till_day)
        entry = _entry(actor, till_day, Kind.REOPENED, amount=difference, expected=expected, reason=reason)
        _book_cash(actor, till_day, entry, -difference, against="till_difference")
        _tell(events.TILL_REOPENED, actor, till_day, entry)
    return till_day


def _of(branch: Branch, till: str) -> Any:
    return TillDay.objects.everywhere("the till of a branch the caller may use").filter(branch=branch, till=till)


def _by_key(till_day: TillDay) -> Any:
    return (
        TillDay.objects.everywhere("by key, authorised by the caller").filter(id=till_day.id).select_related("branch")
    )


def _locked(till_day: TillDay) -> TillDay:
    [locked] = lock_rows(_by_key(till_day))
    _check_open(locked)
    return locked


def _check_open(till_day: TillDay) -> None:
    if till_day.state != State.OPEN:
        raise TillDayClosed(
            f"{till_day.till} is closed for {till_day.day}. A manager can reopen it with the reason; otherwise it is "
            "tomorrow's money.",
            field="till",
            allowed="reopen",
            till_day=str(till_day.id),
        )


def _day_make(
    actor: Actor, branch: Branch, till: str, day: dt.date, *, opening_float: Decimal | None
) -> tuple[TillDay | None, bool]:
    """Today's row and whether it is the till's first; no row when somebody else made it in this moment.

    A day before that is still open lapses: it ends uncounted and leaves what should be in it.
    """
    before = lock_rows(_of(branch, till).filter(day__lt=day, state=State.OPEN))
    for open_day in before:
        open_day.expected = open_day.left_over = selectors.expected_cash(open_day)
        open_day.state, open_day.closed_at = State.LAPSED, clock.now()
        open_day.save()
    last = _of(branch, till).filter(day__lt=day).order_by("-day").first()
    carried = last.left_over if last is not None and last.left_over is not None else rounded(_ZERO, branch.currency)
    try:
        with busy_answers(), transaction.atomic():
            made = TillDay.objects.create(
                branch=branch,
                till=till,
                day=day,
                currency=branch.currency,
                carried=carried,
                opening_float=carried if opening_float is None else opening_float,
                is_float_counted=opening_float is not None,
                opened_at=clock.now(),
                opened_by_id=actor.id,
            )
    except IntegrityError:
        return None, last is None
    return made, last is None


def _counted(pieces: Mapping[str, int] | None, amount: Decimal | None, currency: str) -> tuple[Decimal, dict[str, int]]:
    if (pieces is None) == (amount is None):
        raise CountUnclear("Give the notes and coins, or one amount.", field="pieces", allowed="pieces or amount")
    if amount is not None:
        if amount:
            _check_amount(amount, currency)
        return rounded(amount, currency), {}
    if any(number < 0 for number in (pieces or {}).values()):
        raise CountUnclear("Nobody has less than no coins.", field="pieces")
    return denominations.counted(pieces or {}, currency)


def _check_amount(amount: Decimal, currency: str) -> None:
    if not amount.is_finite() or amount < 0 or amount % minor_unit(currency):
        raise CountUnclear(
            f"Cash in {currency} comes in steps of {minor_unit(currency)}.",
            field="amount",
            allowed={"at_least": "0", "step": str(minor_unit(currency))},
        )


def _explained(reason: str) -> str:
    if not reason.strip():
        raise TillUnexplained(field="reason")
    refuse_card_data(reason, field="reason")
    return reason.strip()


def _move(
    actor: Actor, till_day: TillDay, kind: TillEntry.Kind, amount: Decimal, purpose: str, reason: str
) -> TillEntry:
    actor.require(BillingPermission.TILL, till_day.branch_id)
    reason = _explained(reason)
    _check_amount(amount, till_day.currency)
    if not amount:
        raise CountUnclear("Nothing would move.", field="amount")
    with transaction.atomic():
        till_day = _locked(till_day)
        expected = selectors.expected_cash(till_day)
        if kind == Kind.PAID_OUT and amount > expected:
            raise NotThatMuchCash(
                f"{expected} {till_day.currency} should be there.", field="amount", allowed={"at_most": str(expected)}
            )
        amount = rounded(amount, till_day.currency)
        entry = _entry(actor, till_day, kind, amount=amount, expected=expected, purpose=Purpose(purpose), reason=reason)
        _book_cash(
            actor, till_day, entry, amount if kind == Kind.PAID_IN else -amount, against=ROLE_OF_PURPOSE[entry.purpose]
        )
        _tell(events.TILL_CASH_MOVED, actor, till_day, entry)
    return entry


def _entry(actor: Actor, till_day: TillDay, kind: TillEntry.Kind, **details: Any) -> TillEntry:
    return TillEntry.objects.create(till_day=till_day, kind=kind, made_at=clock.now(), made_by_id=actor.id, **details)


def _book_cash(actor: Actor, till_day: TillDay, entry: TillEntry, cash: Decimal, *, against: str) -> None:
    """Cash that came (positive) or went (negative) without a payment; a difference of nothing is not booked."""
    if not cash:
        return
    journal_post(
        actor=actor,
        branch=till_day.branch,
        booked_on=till_day.day,
        purpose="till",
        document=f"till-entries/{entry.id}",
        description=f"{till_day.till} {till_day.day}: {entry.get_kind_display().lower()} {entry.reason}".strip(),
        postings=[signed("cash", cash), signed(against, -cash)],
    )


def _tell(event_type: str, actor: Actor, till_day: TillDay, entry: TillEntry) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"till-days/{till_day.id}",
        actor=actor,
        branch_id=till_day.branch_id,
        data={
            "till_day": str(till_day.id),
            "till": till_day.till,
            "day": till_day.day.isoformat(),
            "kind": str(entry.kind),
            "amount": str(entry.amount),
            "expected": str(entry.expected),
            "reason": entry.reason,
        },
    )
