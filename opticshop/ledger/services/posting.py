"""Booking: balanced entries, and the reversals that correct them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import IntegrityError, transaction
from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.money import minor_unit

from .. import door, events
from ..chart import BY_ROLE
from ..models import Account, Entry, Line, Period
from .problems import (
    AlreadyBooked,
    AlreadyReversed,
    AmountNotBookable,
    EntryEmpty,
    EntryUnbalanced,
    PeriodClosed,
    ReversalUnexplained,
)

#: The purpose of a reversal is this and the purpose of what it reverses; its document is the same.
REVERSAL = "reversal of "
_ZERO = Decimal(0)
#: The columns keep hundredths, whatever the currency.
_FINEST = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Posting:
    """One side of an entry to be: the role of the account (``ledger.chart``) and what it is debited or credited."""

    role: str
    debit: Decimal = _ZERO
    credit: Decimal = _ZERO
    tax_code: str = ""
    party: str = ""


def journal_post(
    *,
    actor: Actor,
    branch: Branch,
    booked_on: dt.date,
    purpose: str,
    document: str,
    description: str,
    postings: Iterable[Posting],
    reference: str = "",
) -> Entry:
    """Book an event of money in the caller's transaction or one of its own. Postings of nothing are left out.

    Asks for no permission: the use case whose money this is has asked for its own. Raises EntryUnbalanced, EntryEmpty,
    AmountNotBookable, PeriodClosed, AlreadyBooked, Busy; nothing is then written and no number used up. It takes the
    branch's series of entry numbers until the transaction ends, so give out the number of a receipt before.
    """
    sides = [posting for posting in postings if posting.debit or posting.credit]
    _check(sides, branch.currency)
    accounts = accounts_of({posting.role for posting in sides})
    entry = Entry(
        branch=branch,
        booked_on=booked_on,
        purpose=purpose,
        document=document,
        description=description[:200],
        reference=reference,
        currency=branch.currency,
        by_id=actor.id,
        by_label=actor.label,
    )
    lines = [
        Line(
            account=accounts[posting.role],
            debit=posting.debit,
            credit=posting.credit,
            tax_code=posting.tax_code,
            party=posting.party,
        )
        for posting in sides
    ]
    return _book(actor, entry, lines)


def journal_reverse(*, actor: Actor, entry: Entry, booked_on: dt.date, reason: str) -> Entry:
    """Book the mirror of an entry, once. Authorised by the caller, as journal_post, and raises what that raises."""
    if not reason.strip():
        raise ReversalUnexplained(field="reason")
    if entry.reverses_id is not None:
        raise AlreadyReversed(f"{entry.number} is itself a reversal.", field="entry")
    mirror = Entry(
        branch=entry.branch,
        booked_on=booked_on,
        purpose=f"{REVERSAL}{entry.purpose}",
        document=entry.document,
        description=f"Reverses {entry.number}: {reason.strip()}"[:200],
        reference=entry.reference,
        currency=entry.currency,
        reverses=entry,
        by_id=actor.id,
        by_label=actor.label,
    )
    lines = [
        Line(
            account_id=line.account_id,
            debit=line.credit,
            credit=line.debit,
            tax_code=line.tax_code,
            party=line.party,
        )
        for line in Line.objects.everywhere("of an entry the caller may reverse")
        .filter(entry=entry)
        .order_by("line_no")
    ]
    return _book(actor, mirror, lines)


def accounts_of(roles: set[str]) -> dict[str, Account]:
    """The accounts of the roles; one that only the chart has is made. Raises KeyError for a role nobody knows."""
    found = {account.role: account for account in Account.objects.filter(role__in=roles)}
    missing = [BY_ROLE[role] for role in sorted(roles - found.keys())]
    if missing:
        Account.objects.bulk_create([Account(**row._asdict()) for row in missing], ignore_conflicts=True)
        found = {account.role: account for account in Account.objects.filter(role__in=roles)}
    return {str(role): account for role, account in found.items()}


def month_of(day: dt.date) -> dt.date:
    return day.replace(day=1)


def _check(sides: Sequence[Posting], currency: str) -> None:
    unit = max(minor_unit(currency), _FINEST)
    for posting in sides:
        for amount in (posting.debit, posting.credit):
            if not amount.is_finite() or amount < 0 or amount % unit:
                raise AmountNotBookable(
                    f"{posting.role}: {amount} {currency}.",
                    field="postings",
                    allowed={"at_least": "0", "step": str(unit)},
                )
        if posting.debit and posting.credit:
            raise AmountNotBookable(f"{posting.role} stands on both sides of one line.", field="postings")
    debit, credit = (sum((getattr(p, side) for p in sides), _ZERO) for side in ("debit", "credit"))
    if debit != credit:
        raise EntryUnbalanced(
            f"{debit} is debited, {credit} credited.", field="postings", difference=str(debit - credit)
        )
    if not sides:
        raise EntryEmpty(field="postings")


def _book(actor: Actor, entry: Entry, lines: list[Line]) -> Entry:
    entry.total, entry.line_count = sum((line.debit for line in lines), _ZERO), len(lines)
    try:
        with transaction.atomic():
            door.go_through()
            _refuse_closed(entry.branch, entry.booked_on)
            entry.number = number_next(branch=entry.branch, kind=Series.JOURNAL_ENTRY)
            entry.save(force_insert=True)
            for line_no, line in enumerate(lines, start=1):
                line.entry, line.line_no = entry, line_no
            Line.objects.bulk_create(lines)
            outbox.record(
                event_type=events.ENTRY_POSTED,
                subject=f"journal-entries/{entry.id}",
                actor=actor,
                branch_id=entry.branch_id,
                data={
                    "entry": str(entry.id),
                    "number": entry.number,
                    "document": entry.document,
                    "purpose": entry.purpose,
                    "booked_on": entry.booked_on.isoformat(),
                    "total": str(entry.total),
                    "currency": entry.currency,
                    **({"reverses": str(entry.reverses_id)} if entry.reverses_id else {}),
                },
            )
    except IntegrityError as error:
        _explain(entry, error)
    return entry


def _explain(entry: Entry, error: IntegrityError) -> None:
    """Say what the database refused: booked twice is the only thing it can be by the caller's doing."""
    before = Entry.objects.everywhere("named in the refusal of its second booking")
    if entry.reverses_id and before.filter(reverses=entry.reverses_id).exists():
        raise AlreadyReversed(field="entry") from error
    twice = before.filter(document=entry.document, purpose=entry.purpose).first()
    if twice is None:
        raise error
    raise AlreadyBooked(
        f"{entry.document} is booked for {entry.purpose} as {twice.number}.", field="document"
    ) from error


def _refuse_closed(branch: Branch, booked_on: dt.date) -> None:
    """Refuse a closed month. Asked after going through the door, so it stays open until this transaction ends."""
    closed = Period.objects.filter(month=month_of(booked_on), is_closed=True)
    if closed.filter(Q(branch=branch) | Q(branch=None)).exists():
        raise PeriodClosed(f"{booked_on:%B %Y} is closed; book into an open month.", field="booked_on")
