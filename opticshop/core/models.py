"""Tables of the kernel: the outbox with its deliveries, and idempotency records; abstract bases for all apps."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Self, cast

from django.db import models

from . import clock
from .ids import new_id
from .prepared import row_of_columns, sets_columns_only


class Entity(models.Model):
    """Abstract base: UUIDv7 key and the moment of creation."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    created_at = models.DateTimeField(default=clock.now, editable=False)

    class Meta:
        abstract = True

    #: ``from_db`` adds nothing to what a row was read with.
    made_of_columns = True

    @classmethod
    def from_db(cls, db: str | None, field_names: Collection[str], values: Collection[Any], **mode: Any) -> Self:
        """A column that was not read is deferred, as always."""
        if not sets_columns_only(cls):
            return super().from_db(db, field_names, values, **mode)
        return cast(Self, row_of_columns(cls, db, field_names, values))


class Versioned(models.Model):
    """Abstract base for rows people edit: the version is the ETag and the guard against lost updates."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


class OutboxEvent(Entity):
    """One thing that happened, written in the transaction that made it happen. Never changed afterwards."""

    type = models.CharField(max_length=80)
    subject = models.CharField(max_length=120)
    branch_id = models.UUIDField(null=True)
    actor_id = models.UUIDField(null=True)
    actor_label = models.CharField(max_length=200)
    data = models.JSONField(default=dict)
    request_id = models.CharField(
        max_length=64, db_default="", help_text="Of the request that it came of, however many events lie between."
    )
    traceparent = models.CharField(max_length=55, db_default="", help_text="W3C Trace Context, where spans are kept.")

    class Meta:
        indexes = [
            models.Index(fields=["type", "id"], name="core_outbox_type_id"),
            models.Index(fields=["subject", "id"], name="core_outbox_subject_id"),
        ]

    def __str__(self) -> str:
        return f"{self.type} {self.subject}"


class EventDelivery(Entity):
    """The state of handing one event to one handler. Rows decide; a message or a timer only wakes the worker."""

    class State(models.TextChoices):
        PENDING = "pending"
        DONE = "done"
        DEAD = "dead"

    event = models.ForeignKey(OutboxEvent, on_delete=models.CASCADE, related_name="deliveries")
    handler = models.CharField(max_length=120)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PENDING)
    attempts = models.PositiveIntegerField(default=0)
    due_at = models.DateTimeField(default=clock.now)
    done_at = models.DateTimeField(null=True)
    last_error = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["event", "handler"], name="core_delivery_once_per_handler"),
            models.CheckConstraint(
                condition=models.Q(state__in=["pending", "done", "dead"]), name="core_delivery_state_known"
            ),
        ]
        indexes = [
            models.Index(fields=["due_at", "id"], name="core_delivery_due", condition=models.Q(state="pending")),
            models.Index(fields=["handler", "id"], name="core_delivery_dead", condition=models.Q(state="dead")),
        ]

    def __str__(self) -> str:
        return f"{self.handler} <- {self.event_id}"


class IdempotencyRecord(Entity):
    """A claimed Idempotency-Key and, once the request is finished, the answer to replay."""

    credential = models.CharField(max_length=80)
    route = models.CharField(max_length=200)
    key = models.CharField(max_length=200)
    fingerprint = models.CharField(max_length=64)
    expires_at = models.DateTimeField()
    status = models.PositiveSmallIntegerField(null=True)
    body = models.BinaryField(null=True)
    content_type = models.CharField(max_length=100, blank=True)
    headers = models.JSONField(default=dict)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["credential", "route", "key"], name="core_idempotency_key_once")]
        indexes = [models.Index(fields=["expires_at"], name="core_idempotency_expiry")]

    def __str__(self) -> str:
        return f"{self.route} {self.key}"


class DutyRun(models.Model):
    """The last run of a duty and who holds it now. A lease only spares needless work: nothing rests on it being kept.

    A duty that may run several times at once has a row for each place.
    """

    name = models.CharField(max_length=120)
    place = models.PositiveSmallIntegerField(default=0)
    lease = models.UUIDField(null=True)
    leased_until = models.DateTimeField(null=True)
    due_at = models.DateTimeField(null=True, help_text="Moved when a run ends, never before: a killed run is due again")
    last_started_at = models.DateTimeField(null=True)
    last_finished_at = models.DateTimeField(null=True)
    last_succeeded_at = models.DateTimeField(null=True)
    last_error = models.TextField(blank=True)
    handled = models.PositiveIntegerField(default=0, help_text="Rows handled by the last run that succeeded")
    runs = models.PositiveBigIntegerField(default=0)
    failures = models.PositiveBigIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["name", "place"], name="core_duty_run_place")]

    def __str__(self) -> str:
        return f"{self.name} {self.place}"


class Measurement(models.Model):
    """Figures that are too dear to count at every scrape: counted by a duty, read by whoever asks."""

    name = models.CharField(max_length=80, primary_key=True)
    taken_at = models.DateTimeField()
    figures = models.JSONField(default=dict)

    def __str__(self) -> str:
        return self.name
