"""The watch: raises what has begun, follows what grows, wakes what was snoozed, escalates what waits, closes what is
over.

Alerts are read before their causes: one that another run raises in between is not in hand, and the constraint
``alerts_raised_once`` lets only one of two be written. Rows are changed under lock and only while they live, so two
runs at once tell each thing once.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence

from django.db import transaction
from django.db.models import Exists, OuterRef, Q

from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.ids import new_id

from .. import events
from ..causes import Found
from ..hours import Place
from ..kinds import ESCALATION, LIVE_STATES, RANK, AlertState, Because, StepKind
from ..models import Alert, AlertRule
from ..permissions import AlertPermission
from ..ruling import Rule, Rules
from ..selectors import works_at
from .writing import alerts, lock_live, tell, write

log = logging.getLogger("opticshop.alerts")


def alerts_evaluate(*, actor: Actor, branch: Branch | None = None) -> int:
    """Bring the alerts of a branch, or of every branch, in line with what holds now; returns how many were touched.

    A fixed number of queries for each branch and cause where nothing changes. A cause that fails is logged and does
    not keep the others from being looked at. Safe to run twice, and twice at once.
    """
    actor.require(AlertPermission.SET_UP, branch.id if branch else None)
    rules = Rules(AlertRule.objects.everywhere("the watch over every branch"))
    watched = Branch.objects.prefetch_related("opening_hours", "closures")
    if branch is not None:
        watched = watched.filter(id=branch.id)
    else:
        live = alerts().filter(branch=OuterRef("pk"), state__in=LIVE_STATES)
        watched = watched.filter(Q(is_active=True) | Exists(live))
    touched = 0
    for each in watched:
        place = Place(each, calendar_of(each), clock.now())
        for rule in rules.all_at(each.id):
            try:
                touched += _evaluate(actor, place, rule)
            except Exception:
                log.exception("the cause %s could not be evaluated at branch %s", rule.cause.name, each.code)
    return touched


def _evaluate(actor: Actor, place: Place, rule: Rule) -> int:
    with transaction.atomic():
        rows = list(
            alerts()
            .filter(branch=place.branch, cause=rule.cause.name)
            .filter(Q(state__in=LIVE_STATES) | Q(holds_back=True))
        )
        live = {alert.key: alert for alert in rows if alert.state in LIVE_STATES}
        held = {alert.key: alert for alert in rows if alert.holds_back}
        is_watched = rule.is_active and place.branch.is_active
        found = {one.key: one for one in rule.cause.find(place, rule.thresholds)} if is_watched else {}
        because = Because.CAUSE_GONE if is_watched else Because.SWITCHED_OFF
        return (
            _close(actor, [alert for key, alert in live.items() if key not in found], because)
            + _let_go(held, found)
            + _follow(actor, live, found)
            + _wake(actor, place, list(live.values()))
            + _escalate(actor, place, rule, list(live.values()))
            + _raise(actor, place, rule, [found[key] for key in sorted(found) if key not in live], held)
        )


def _raise(actor: Actor, place: Place, rule: Rule, new: Sequence[Found], held: Mapping[str, Alert]) -> int:
    """Write alerts for what has begun. What was closed by hand comes back only when it is worse than it was then."""
    wanted = [one for one in new if one.key not in held or RANK[one.severity] > RANK[held[one.key].severity]]
    if not wanted:
        return 0
    # Who has left the branch since the rule was set owns nothing there; the role does.
    owner_id = rule.owner_id if rule.owner_id and works_at(rule.owner_id, place.branch) else None
    made = [
        Alert(
            id=new_id(),
            branch=place.branch,
            cause=rule.cause.name,
            key=one.key,
            about=one.about,
            link=one.link,
            number=one.number,
            severity=one.severity,
            facts=one.facts,
            since=one.since,
            owner_role=rule.owner_role,
            owner_id=owner_id,
            raised_at=place.now,
            waiting_since=place.now,
        )
        for one in wanted
    ]
    again = [held[one.key].id for one in wanted if one.key in held]
    if again:
        alerts().filter(id__in=again).update(holds_back=False)
    # Who comes second with the same key writes nothing; only what is there under our own keys is ours to tell.
    Alert.objects.bulk_create(made, batch_size=200, ignore_conflicts=True)
    there = set(alerts().filter(id__in=[alert.id for alert in made]).values_list("id", flat=True))
    ours = [alert for alert in made if alert.id in there]
    owner = None if owner_id is None else str(owner_id)
    more = {"owner_role": rule.owner_role, "owner": owner}
    tell(ours, StepKind.RAISED, events.ALERT_RAISED, actor, more=[more] * len(ours))
    return len(ours)


def _follow(actor: Actor, live: Mapping[str, Alert], found: Mapping[str, Found]) -> int:
    """Write what has changed about alerts whose cause lasts. Who has acknowledged one keeps it, however it grows."""
    changed = [alert for key, alert in live.items() if key in found and _differs(alert, found[key])]
    locked = lock_live(changed)
    if not locked:
        return 0
    grown, before = [], []
    for alert in locked:
        one = found[alert.key]
        if alert.severity != one.severity:
            grown.append(alert)
            before.append({"before": str(alert.severity)})
        alert.severity, alert.facts, alert.number = one.severity, one.facts, one.number
    write(locked, "severity", "facts", "number")
    tell(grown, StepKind.SEVERITY_CHANGED, events.ALERT_SEVERITY_CHANGED, actor, more=before)
    return len(locked)


def _differs(alert: Alert, one: Found) -> bool:
    return (alert.severity, alert.facts, alert.number) != (one.severity, one.facts, one.number)


def _wake(actor: Actor, place: Place, live: Sequence[Alert]) -> int:
    """Open again what was snoozed until now; it waits for somebody from now on."""

    def is_over(alert: Alert) -> bool:
        return alert.snoozed_until is not None and alert.snoozed_until <= place.now

    woken = [alert for alert in lock_live(filter(is_over, live)) if is_over(alert)]
    if not woken:
        return 0
    for alert in woken:
        alert.state, alert.snoozed_until, alert.waiting_since = AlertState.OPEN, None, place.now
    write(woken, "state", "snoozed_until", "waiting_since")
    tell(woken, StepKind.WOKEN, events.ALERT_WOKEN, actor)
    return len(woken)


def _escalate(actor: Actor, place: Place, rule: Rule, live: Sequence[Alert]) -> int:
    """One level up for what nobody has taken up within the working hours of the rule."""
    if rule.escalate_after_hours == 0 or not any(alert.state == AlertState.OPEN for alert in live):
        return 0
    limit = place.working_hours_ago(rule.escalate_after_hours)

    def waits(alert: Alert) -> bool:
        is_open = alert.state == AlertState.OPEN and alert.level < len(ESCALATION)
        return is_open and limit is not None and alert.waiting_since <= limit

    raised = [alert for alert in lock_live(filter(waits, live)) if waits(alert)]
    if not raised:
        return 0
    for alert in raised:
        alert.level += 1
        alert.escalated_at = alert.waiting_since = place.now
    write(raised, "level", "escalated_at", "waiting_since")
    more = [{"level": alert.level, "to": ESCALATION[alert.level - 1]} for alert in raised]
    tell(raised, StepKind.ESCALATED, events.ALERT_ESCALATED, actor, more=more)
    return len(raised)


def _close(actor: Actor, over: Sequence[Alert], because: Because) -> int:
    locked = lock_live(over)
    if not locked:
        return 0
    for alert in locked:
        alert.state, alert.closed_at, alert.closed_because = AlertState.CLOSED, clock.now(), because
    write(locked, "state", "closed_at", "closed_because")
    more = [{"because": str(because)}] * len(locked)
    tell(locked, StepKind.CLOSED, events.ALERT_CLOSED, actor, note=str(because.label), more=more)
    return len(locked)


def _let_go(held: Mapping[str, Alert], found: Mapping[str, Found]) -> int:
    """What was closed by hand and is over may be raised again when it comes again."""
    over = [alert.id for key, alert in held.items() if key not in found]
    return alerts().filter(id__in=over).update(holds_back=False) if over else 0
