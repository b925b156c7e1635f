"""Closing months: what is in is in, and nothing more comes."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Forbidden

from .. import door, events
from ..models import Period
from ..permissions import LedgerPermission
from .posting import month_of
from .problems import PeriodAlready, PeriodNotOver, ReopeningUnexplained


def period_close(*, actor: Actor, month: dt.date, branch: Branch | None = None) -> Period:
    """Close the month of a day for a branch or, without one, for the company: every branch, also one opened later.

    Waits for the bookings under way, and later ones for it. Raises PeriodNotOver, PeriodAlready, Busy.
    """
    _require(actor, branch)
    month = month_of(month)
    _check_over(month, branch)
    with transaction.atomic():
        door.hold()
        period = Period.objects.filter(month=month, branch=branch).first()
        if period is None:
            period = Period(month=month, branch=branch, changed_at=clock.now(), by_id=actor.id, by_label=actor.label)
            period.save(force_insert=True)
        elif period.is_closed:
            raise PeriodAlready(f"{month:%B %Y} is closed.", field="month")
        else:
            _turn(period, actor, is_closed=True, reason="")
        _record(events.PERIOD_CLOSED, period, actor)
    return period


def period_reopen(*, actor: Actor, period: Period, reason: str) -> Period:
    """Open a closed month again. One closed for the company and for the branch is open when both are."""
    _require(actor, period.branch)
    if not reason.strip():
        raise ReopeningUnexplained(field="reason")
    with transaction.atomic():
        door.hold()
        period.refresh_from_db()
        if not period.is_closed:
            raise PeriodAlready(f"{period.month:%B %Y} is open.", field="month")
        _turn(period, actor, is_closed=False, reason=reason.strip())
        _record(events.PERIOD_REOPENED, period, actor)
    return period


def _require(actor: Actor, branch: Branch | None) -> None:
    if branch is not None:
        actor.require(LedgerPermission.CLOSE, branch.id)
    elif actor.where(LedgerPermission.CLOSE) is not ALL:
        raise Forbidden("The company's months are closed by whoever may close those of every branch.")


def _check_over(month: dt.date, branch: Branch | None) -> None:
    following = month_of(month + dt.timedelta(days=31))
    zones = [branch.time_zone] if branch else Branch.objects.values_list("time_zone", flat=True).distinct()
    if any(clock.today(zone) < following for zone in zones):
        raise PeriodNotOver(f"{month:%B %Y} can be closed from {following} on.", field="month")


def _turn(period: Period, actor: Actor, *, is_closed: bool, reason: str) -> None:
    Period.objects.filter(id=period.id).update(
        is_closed=is_closed,
        reason=reason,
        changed_at=clock.now(),
        by_id=actor.id,
        by_label=actor.label,
        version=F("version") + 1,
    )
    period.refresh_from_db()


def _record(event_type: str, period: Period, actor: Actor) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"accounting-periods/{period.id}",
        actor=actor,
        branch_id=period.branch_id,
        data={"period": str(period.id), "month": f"{period.month:%Y-%m}", "reason": period.reason},
    )
