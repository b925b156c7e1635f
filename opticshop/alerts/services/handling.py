"""What people do with an alert: take it up, put it off, hand it over, close it."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import events, selectors
from ..causes import CAUSES
from ..kinds import ALERT_MOVES, AlertState, Because, StepKind
from ..models import Alert
from ..permissions import AlertPermission
from .writing import alerts, tell, write

LONGEST_SNOOZE = dt.timedelta(days=90)


class SnoozeImpossible(Invalid):
    """An alert is put off until a moment to come, and for no longer than 90 days."""

    code = "alerts.snooze_impossible"
    title = "An alert cannot be put off until then"


class NotOfThisBranch(Invalid):
    """An alert is seen to by somebody who works at its branch and may see to alerts there."""

    code = "alerts.not_of_this_branch"
    title = "This person does not see to alerts at that branch"


class ClosesByItself(Conflict):
    """This cause is read from rows: the alert closes when the cause is gone. Acknowledge or snooze it until then."""

    code = "alerts.closes_by_itself"
    title = "An alert of this cause is not closed by hand"


def alert_acknowledge(*, actor: Actor, alert: Alert, note: str = "") -> Alert:
    """The actor sees to it. It is not escalated any further; an alert that belongs to nobody becomes theirs."""
    actor.require(AlertPermission.HANDLE, alert.branch_id)
    with transaction.atomic():
        alert = _locked(alert)
        check_move(ALERT_MOVES, alert.state, AlertState.ACKNOWLEDGED, of="This alert")
        _take_up(actor, alert, note, until=None)
        tell(
            [alert], StepKind.ACKNOWLEDGED, events.ALERT_ACKNOWLEDGED, actor, note=note, more=[{"snoozed_until": None}]
        )
    return alert


def alert_snooze(*, actor: Actor, alert: Alert, until: dt.datetime, note: str = "") -> Alert:
    """The actor sees to it later: it opens again at ``until`` if its cause holds then. Raises SnoozeImpossible."""
    actor.require(AlertPermission.HANDLE, alert.branch_id)
    now = clock.now()
    if not now < until <= now + LONGEST_SNOOZE:
        raise SnoozeImpossible(
            field="until", allowed={"after": now.isoformat(), "until": (now + LONGEST_SNOOZE).isoformat()}
        )
    with transaction.atomic():
        alert = _locked(alert)
        if alert.state != AlertState.ACKNOWLEDGED:
            check_move(ALERT_MOVES, alert.state, AlertState.ACKNOWLEDGED, of="This alert")
        _take_up(actor, alert, note, until=until)
        more = [{"snoozed_until": until.isoformat()}]
        tell([alert], StepKind.SNOOZED, events.ALERT_ACKNOWLEDGED, actor, note=note, more=more)
    return alert


def alert_hand_over(*, actor: Actor, alert: Alert, owner: uuid.UUID, note: str = "") -> Alert:
    """Somebody else at the branch sees to it. It goes on waiting since when it did. Raises NotOfThisBranch."""
    actor.require(AlertPermission.HANDLE, alert.branch_id)
    with transaction.atomic():
        alert = _locked(alert)
        if alert.state == AlertState.CLOSED:
            check_move(ALERT_MOVES, alert.state, AlertState.OPEN, of="This alert")
        if not selectors.works_at(owner, alert.branch):
            raise NotOfThisBranch(f"{owner} does not see to alerts at {alert.branch}.", field="owner")
        alert.owner_id = owner
        write([alert], "owner")
        tell([alert], StepKind.HANDED_OVER, events.ALERT_HANDED_OVER, actor, note=note, more=[{"owner": str(owner)}])
    return alert


def alert_close(*, actor: Actor, alert: Alert, reason: str) -> Alert:
    """Close it because it was dealt with. It is not raised again before its cause is gone or has grown more severe.

    Raises ClosesByItself where the cause does not allow it.
    """
    actor.require(AlertPermission.HANDLE, alert.branch_id)
    cause = CAUSES.get(alert.cause)
    if cause is not None and not cause.by_hand:
        raise ClosesByItself(allowed=[each.name for each in CAUSES.values() if each.by_hand], field="cause")
    with transaction.atomic():
        alert = _locked(alert)
        check_move(ALERT_MOVES, alert.state, AlertState.CLOSED, of="This alert")
        alert.state, alert.closed_at, alert.closed_by_id = AlertState.CLOSED, clock.now(), actor.id
        alert.closed_because, alert.closed_reason, alert.holds_back = Because.BY_HAND, reason, True
        write([alert], "state", "closed_at", "closed_by", "closed_because", "closed_reason", "holds_back")
        more = [{"because": str(Because.BY_HAND)}]
        tell([alert], StepKind.CLOSED, events.ALERT_CLOSED, actor, note=reason, more=more)
    return alert


def _locked(alert: Alert) -> Alert:
    [found] = lock_rows(alerts().filter(id=alert.id).select_related("branch"))
    return found


def _take_up(actor: Actor, alert: Alert, note: str, *, until: dt.datetime | None) -> None:
    alert.state, alert.acknowledged_at, alert.acknowledged_by_id = AlertState.ACKNOWLEDGED, clock.now(), actor.id
    alert.note, alert.snoozed_until = note, until
    if alert.owner_id is None and actor.id is not None:
        alert.owner_id = actor.id
    write([alert], "state", "acknowledged_at", "acknowledged_by", "note", "snoozed_until", "owner")
