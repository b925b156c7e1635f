"""Words of alerts that tables, causes and shapes share."""

from __future__ import annotations

from django.db import models


class Severity(models.TextChoices):
    NOTICE = "notice", "To be known"
    WARNING = "warning", "To be seen to today"
    URGENT = "urgent", "To be seen to now"


#: Larger is worse.
RANK: dict[str, int] = {Severity.NOTICE: 0, Severity.WARNING: 1, Severity.URGENT: 2}


class AlertState(models.TextChoices):
    OPEN = "open", "Nobody has taken it up"
    ACKNOWLEDGED = "acknowledged", "Somebody sees to it"
    CLOSED = "closed"


#: From each state, the states an alert may move to. An acknowledged one opens again when its snooze is over.
ALERT_MOVES: dict[str, frozenset[str]] = {
    AlertState.OPEN: frozenset({AlertState.ACKNOWLEDGED, AlertState.CLOSED}),
    AlertState.ACKNOWLEDGED: frozenset({AlertState.OPEN, AlertState.CLOSED}),
    AlertState.CLOSED: frozenset(),
}
LIVE_STATES = (AlertState.OPEN, AlertState.ACKNOWLEDGED)


class Because(models.TextChoices):
    """Why an alert was closed."""

    CAUSE_GONE = "cause_gone", "Its cause is gone"
    BY_HAND = "by_hand", "Closed by a person, with the reason"
    SWITCHED_OFF = "switched_off", "The branch no longer watches this"


class StepKind(models.TextChoices):
    RAISED = "raised"
    SEVERITY_CHANGED = "severity_changed"
    ACKNOWLEDGED = "acknowledged"
    SNOOZED = "snoozed"
    WOKEN = "woken", "Its snooze was over"
    HANDED_OVER = "handed_over"
    ESCALATED = "escalated"
    CLOSED = "closed"


#: Who hears of an alert that nobody takes up: first this role, then the next (common practice, no source).
ESCALATION = ("manager", "head_office")
