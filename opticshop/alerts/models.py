from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core import clock
from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .kinds import AlertState, Because, Severity, StepKind


class Alert(Entity, Versioned, BranchOwned):
    """One thing that must be seen, raised once while its cause lasts.

    ``key`` says what it is about within its cause. ``waiting_since`` is when its present level of escalation began to
    wait for somebody. ``holds_back`` marks one closed by hand while its cause lasts: it is not raised again before the
    cause is gone or has grown more severe.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    cause = models.CharField(max_length=40, help_text="Name of a cause of ``alerts.causes``")
    key = models.CharField(max_length=120)
    about = models.CharField(max_length=120, help_text="Document that it is about, for instance orders/<id>")
    link = models.CharField(max_length=200, help_text="Address of that document in the API")
    number = models.CharField(max_length=80, blank=True, help_text="Number of the document, for people")
    severity = models.CharField(max_length=8, choices=Severity.choices)
    facts = models.JSONField(default=dict, help_text="Numbers, days and ids; no name, no fact of health")
    since = models.DateTimeField(help_text="When the cause began, as far as it is known")
    owner_role = models.CharField(max_length=20, help_text="Role that sees to it")
    owner = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", help_text="Person who does"
    )
    state = models.CharField(max_length=12, choices=AlertState.choices, default=AlertState.OPEN)
    raised_at = models.DateTimeField(default=clock.now)
    acknowledged_at = models.DateTimeField(null=True)
    acknowledged_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    note = models.CharField(max_length=300, blank=True)
    snoozed_until = models.DateTimeField(null=True)
    waiting_since = models.DateTimeField(default=clock.now)
    level = models.PositiveSmallIntegerField(default=0, help_text="How often it was escalated")
    escalated_at = models.DateTimeField(null=True)
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    closed_because = models.CharField(max_length=12, choices=Because.choices, blank=True)
    closed_reason = models.CharField(max_length=300, blank=True)
    holds_back = models.BooleanField(default=False)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["branch", "cause", "key"],
                condition=Q(state__in=["open", "acknowledged"]),
                name="alerts_raised_once",
            ),
            models.UniqueConstraint(
                fields=["branch", "cause", "key"], condition=Q(holds_back=True), name="alerts_held_back_once"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["open", "acknowledged", "closed"]), name="alerts_state_known"
            ),
            models.CheckConstraint(condition=Q(severity__in=Severity.values), name="alerts_severity_known"),
            models.CheckConstraint(
                condition=~Q(state="acknowledged") | Q(acknowledged_at__isnull=False), name="alerts_acknowledged_when"
            ),
            models.CheckConstraint(
                condition=Q(state="closed", closed_at__isnull=False, closed_because__in=Because.values)
                | (~Q(state="closed") & Q(closed_at__isnull=True, closed_because="")),
                name="alerts_closed_when_and_why",
            ),
            models.CheckConstraint(
                condition=~Q(closed_because="by_hand") | ~Q(closed_reason=""), name="alerts_closing_explained"
            ),
            models.CheckConstraint(
                condition=Q(holds_back=False) | Q(state="closed", closed_because="by_hand"),
                name="alerts_only_closed_by_hand_hold_back",
            ),
            models.CheckConstraint(
                condition=Q(snoozed_until__isnull=True) | Q(state__in=["acknowledged", "closed"]),
                name="alerts_snoozed_is_acknowledged",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="alerts_newest"),
            models.Index(fields=["branch", "state", "-id"], name="alerts_branch_state"),
            models.Index(fields=["owner", "-id"], name="alerts_owner", condition=Q(state__in=["open", "acknowledged"])),
            models.Index(fields=["branch", "closed_at"], name="alerts_closed", condition=Q(state="closed")),
        ]

    def __str__(self) -> str:
        return f"{self.cause} {self.number or self.about}: {self.state}"


class AlertStep(Entity):
    """One step in the life of an alert: what, when, by whom. The database refuses to change or delete it.

    Events tell others and may be cleared away; these rows are the history that is shown with the alert.
    """

    alert = models.ForeignKey(Alert, on_delete=models.PROTECT, related_name="steps")
    kind = models.CharField(max_length=16, choices=StepKind.choices)
    at = models.DateTimeField()
    severity = models.CharField(max_length=8, choices=Severity.choices)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=Q(kind__in=StepKind.values), name="alerts_step_kind_known")]

    def __str__(self) -> str:
        return f"{self.kind} {self.at:%Y-%m-%d %H:%M}"


class AlertRule(Entity, Versioned, BranchOwned):
    """What a branch, or the group (no branch), wants otherwise than the defaults of a cause; empty: as above it."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    cause = models.CharField(max_length=40)
    thresholds = models.JSONField(default=dict, help_text="Name of a threshold -> whole number")
    owner_role = models.CharField(max_length=20, blank=True)
    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    escalate_after_hours = models.PositiveSmallIntegerField(null=True, help_text="Working hours; 0: never")
    is_active = models.BooleanField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "cause"], name="alerts_rule_once_per_branch"),
            models.UniqueConstraint(fields=["cause"], condition=Q(branch=None), name="alerts_rule_once_for_the_group"),
            models.CheckConstraint(
                condition=Q(owner__isnull=True) | Q(branch__isnull=False), name="alerts_person_only_at_a_branch"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.cause} at {self.branch_id or 'the group'}"


class AlertDigest(Entity, BranchOwned):
    """What stood open when a branch opened on a day, written once."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    day = models.DateField()
    made_at = models.DateTimeField()
    content = models.JSONField(help_text="Counts, the oldest alerts, what was closed since the open day before")
    text = models.TextField(help_text="The same in plain text")

    class Meta(BranchOwned.Meta):
        constraints = [models.UniqueConstraint(fields=["branch", "day"], name="alerts_digest_once_a_day")]
        indexes = [models.Index(fields=["branch", "-id"], name="alerts_digest_newest")]

    def __str__(self) -> str:
        return f"{self.branch_id} {self.day}"


class DigestSubscription(Entity, BranchOwned):
    """A person who is sent the daily digest of a branch."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    channel = models.CharField(max_length=80, blank=True, help_text="Empty: the channel of the branch")

    class Meta(BranchOwned.Meta):
        constraints = [models.UniqueConstraint(fields=["branch", "user"], name="alerts_subscribed_once")]
        indexes = [models.Index(fields=["user", "-id"], name="alerts_subscriptions_of")]

    def __str__(self) -> str:
        return f"{self.user_id} at {self.branch_id}"


class DigestMail(Entity, BranchOwned):
    """One digest for one person. The attempt is recorded before sending, the outcome after."""

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        FAILED = "failed"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    digest = models.ForeignKey(AlertDigest, on_delete=models.PROTECT, related_name="mails")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    channel = models.CharField(max_length=80)
    to = models.CharField(max_length=254)
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    due_at = models.DateTimeField(default=clock.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    attempted_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    detail = models.TextField(blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["digest", "user"], name="alerts_digest_once_a_person"),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "sending", "sent", "failed"]), name="alerts_mail_state_known"
            ),
        ]
        indexes = [
            models.Index(fields=["due_at", "id"], name="alerts_mail_due", condition=Q(state__in=["queued", "sending"]))
        ]

    def __str__(self) -> str:
        return f"{self.digest_id} {self.state}"
