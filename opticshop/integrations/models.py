from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core import clock
from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class FeedHead(models.Model):
    """The last position given out: one row, locked by whoever gives out the next, so positions commit in order."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    last = models.BigIntegerField(default=0)
    forgotten = models.BigIntegerField(
        default=0, db_default=0, help_text="The last position whose event is kept no more; 0 while all are"
    )

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="integrations_one_feed_head")]

    def __str__(self) -> str:
        return f"feed up to {self.last}"


class FeedEntry(BranchOwned):
    """The place of one event in the feed. Never changed; type, area and branch are copies that the indexes need."""

    branch_path = "branch_id"

    position = models.BigIntegerField(primary_key=True)
    event = models.OneToOneField("core.OutboxEvent", on_delete=models.PROTECT, related_name="feed_entry")
    type = models.CharField(max_length=80)
    area = models.CharField(max_length=40)
    branch_id = models.UUIDField(null=True)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "feed entries"
        indexes = [
            models.Index(fields=["branch_id", "position"], name="integrations_feed_branch"),
            models.Index(fields=["type", "position"], name="integrations_feed_type"),
        ]

    def __str__(self) -> str:
        return f"{self.position} {self.type}"


class WebhookEndpoint(Entity, Versioned, BranchOwned):
    """An address that is told what happens, in one branch or (without one) in the whole group.

    One delivery is in flight at a time: ``lease`` names its attempt, ``held_until`` is when the next may begin.
    """

    class State(models.TextChoices):
        ACTIVE = "active"
        PAUSED = "paused"
        GONE = "gone"
        RETIRED = "retired"

    class Format(models.TextChoices):
        PLAIN = "plain"
        CLOUDEVENTS = "cloudevents"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    url = models.CharField(max_length=500)
    description = models.CharField(max_length=200, blank=True)
    event_types = models.JSONField()
    format = models.CharField(max_length=12, choices=Format.choices, default=Format.PLAIN)
    state = models.CharField(max_length=8, choices=State.choices, default=State.ACTIVE)
    sealed_secret = models.TextField()
    sealed_previous = models.TextField(blank=True)
    previous_until = models.DateTimeField(null=True, help_text="Until then the secret before signs as well")
    held_until = models.DateTimeField(default=clock.now)
    lease = models.UUIDField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["active", "paused", "gone", "retired"]), name="integrations_endpoint_state"
            ),
            models.CheckConstraint(condition=Q(format__in=["plain", "cloudevents"]), name="integrations_format_known"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="integrations_endpoint_newest"),
            models.Index(fields=["held_until"], name="integrations_endpoint_due", condition=Q(state="active")),
        ]

    def __str__(self) -> str:
        return f"{self.url} {self.state}"


State = WebhookEndpoint.State

#: Where an endpoint may go from where it is. Gone is said by the receiver itself (410), retired is the end.
ENDPOINT_MOVES: dict[str, frozenset[str]] = {
    State.ACTIVE: frozenset({State.PAUSED, State.GONE, State.RETIRED}),
    State.PAUSED: frozenset({State.ACTIVE, State.RETIRED}),
    State.GONE: frozenset({State.ACTIVE, State.RETIRED}),
    State.RETIRED: frozenset(),
}


class WebhookDelivery(Entity, BranchOwned):
    """One event for one endpoint. They are sent in the order of the feed; a failing one holds up those behind it."""

    branch_path = "endpoint__branch"

    class State(models.TextChoices):
        PENDING = "pending"
        DELIVERED = "delivered"
        DEAD = "dead"
        WITHDRAWN = "withdrawn"

    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.PROTECT, related_name="deliveries")
    entry = models.ForeignKey(FeedEntry, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=State.choices, default=State.PENDING)
    tries = models.PositiveSmallIntegerField(default=0, help_text="Attempts since it was last queued")
    attempt_count = models.PositiveIntegerField(default=0, help_text="Attempts in all")
    settled_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "webhook deliveries"
        constraints = [
            models.UniqueConstraint(fields=["endpoint", "entry"], name="integrations_delivery_once"),
            models.CheckConstraint(
                condition=Q(state__in=["pending", "delivered", "dead", "withdrawn"]),
                name="integrations_delivery_state",
            ),
        ]
        indexes = [
            models.Index(fields=["endpoint", "entry"], name="integrations_pending", condition=Q(state="pending")),
            models.Index(fields=["endpoint", "-id"], name="integrations_delivery_newest"),
            models.Index(fields=["-id"], name="integrations_dead", condition=Q(state="dead")),
        ]

    def __str__(self) -> str:
        return f"{self.entry_id} -> {self.endpoint_id} {self.state}"


class WebhookAttempt(Entity):
    """One try. Written before sending, finished after; one that never finished died with its process."""

    delivery = models.ForeignKey(WebhookDelivery, on_delete=models.CASCADE, related_name="attempts")
    number = models.PositiveIntegerField()
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True)
    status = models.PositiveSmallIntegerField(null=True, help_text="Of HTTP; none where no answer came")
    duration_ms = models.PositiveIntegerField(null=True)
    response = models.TextField(blank=True, help_text="The beginning of what was answered")
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["delivery", "number"], name="integrations_attempt_numbered"),
        ]

    def __str__(self) -> str:
        return f"{self.number}: {self.status or self.error}"
