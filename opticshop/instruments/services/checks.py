"""Checks: a piece of known value is read, judged against the limit of the table, and kept for good."""

from __future__ import annotations

from decimal import Decimal

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows

from .. import events, limits
from ..models import CheckPiece, CheckReading, Instrument
from ..permissions import InstrumentPermission
from .rows import record

Outcome = CheckReading.Outcome


class WrongPiece(Invalid):
    """The piece is of another branch, or embodies a quantity that is not checked on this kind of instrument."""

    code = "instruments.wrong_piece"
    title = "This piece does not check this instrument"


class PieceNotUsable(Conflict):
    """The piece was retired or its certificate has expired: it vouches for nothing."""

    code = "instruments.piece_not_usable"
    title = "This check piece can no longer be used"


class NoLimitKnown(Invalid):
    """No limit is held for this quantity on this kind of instrument, and the piece states none."""

    code = "instruments.no_limit_known"
    title = "It is not known how far this may be off"


def check_record(
    *, actor: Actor, instrument: Instrument, piece: CheckPiece, reading: Decimal, note: str = ""
) -> CheckReading:
    """Record what an instrument read on a check piece. A failure is no error: it is kept, and told to others.

    An instrument out of service can be checked: that is how it comes back. Raises WrongPiece, PieceNotUsable,
    NoLimitKnown.
    """
    actor.require(InstrumentPermission.CHECK, instrument.branch_id)
    _usable(instrument, piece)
    permitted, source, confidence = _limit(instrument, piece)
    deviation = limits.deviation(piece.quantity, reading, piece.certified_value)
    outcome = Outcome.PASS if abs(deviation) <= permitted else Outcome.FAIL
    with transaction.atomic():
        lock_rows(Instrument.objects.everywhere("by key, permission checked above").filter(id=instrument.id))
        last_good = (
            CheckReading.objects.everywhere("of this instrument")
            .filter(instrument=instrument, quantity=piece.quantity, outcome=Outcome.PASS)
            .order_by("-id")
            .first()
        )
        check = CheckReading.objects.create(
            branch_id=instrument.branch_id,
            instrument=instrument,
            piece=piece,
            quantity=piece.quantity,
            certified_value=piece.certified_value,
            piece_uncertainty=piece.uncertainty,
            reading=reading,
            deviation=deviation,
            permitted_error=permitted,
            limit_source=source,
            limit_confidence=confidence,
            near_limit=abs(permitted - abs(deviation)) < piece.uncertainty,
            outcome=outcome,
            note=note,
            checked_at=clock.now(),
            checked_by_id=actor.id,
        )
        facts = {
            "check": str(check.id),
            "instrument": str(instrument.id),
            "piece": str(piece.id),
            "quantity": str(piece.quantity),
        }
        subject = f"instruments/{instrument.id}"
        record(events.CHECKED, subject, actor, check, **facts, outcome=str(outcome))
        if outcome == Outcome.FAIL:
            since = last_good.checked_at.isoformat() if last_good else None
            record(events.FAILED, subject, actor, check, **facts, last_good_at=since)
    return check


def _usable(instrument: Instrument, piece: CheckPiece) -> None:
    if piece.branch_id != instrument.branch_id:
        raise WrongPiece(f"{piece} and {instrument} are at different branches.", field="piece")
    expires = piece.certificate_expires_on
    if not piece.is_active:
        raise PieceNotUsable(f"{piece} was retired.", field="piece")
    if expires is not None and expires < clock.today(instrument.branch.time_zone):
        raise PieceNotUsable(f"The certificate of {piece} expired on {expires}.", field="piece")


def _limit(instrument: Instrument, piece: CheckPiece) -> tuple[Decimal, str, str]:
    if piece.permitted_error is not None:
        return piece.permitted_error, "stated with the check piece", "stated"
    found = limits.limit_for(instrument.kind, piece.quantity)
    if found is not None:
        return found.permitted_at(piece.certified_value), found.source, found.confidence
    checkable = sorted(str(quantity) for kind, quantity in limits.LIMITS if kind == instrument.kind)
    if checkable:
        raise WrongPiece(
            f"A {instrument.get_kind_display().lower()} is not checked for {piece.quantity}.",
            field="piece",
            allowed=checkable,
        )
    raise NoLimitKnown(f"State permitted_error with {piece}.", field="piece")
