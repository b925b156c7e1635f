from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core import clock
from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class Message(Entity, BranchOwned):
    """One message to one customer. The attempt is recorded before sending, the outcome after."""

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        FAILED = "failed"
        WITHDRAWN = "withdrawn"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="messages")
    kind = models.CharField(max_length=30, help_text="For instance ready_for_collection")
    subject_ref = models.CharField(max_length=120, help_text="What it is about, for instance orders/<id>")
    channel = models.CharField(max_length=80)
    to = models.CharField(max_length=254)
    language = models.CharField(max_length=10, default="en")
    subject = models.CharField(max_length=200)
    body = models.TextField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    due_at = models.DateTimeField(default=clock.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    attempted_at = models.DateTimeField(null=True, help_text="When the last attempt began")
    sent_at = models.DateTimeField(null=True)
    provider_reference = models.CharField(max_length=200, blank=True)
    detail = models.TextField(blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["customer", "kind", "subject_ref"], name="reminders_message_once"),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "sending", "sent", "failed", "withdrawn"]),
                name="reminders_message_state_known",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="reminders_message_newest"),
            models.Index(fields=["due_at", "id"], name="reminders_message_due", condition=Q(state="queued")),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"


class Recall(Entity, BranchOwned):
    """When a wearer is to be called back, and why then."""

    class State(models.TextChoices):
        PLANNED = "planned"
        CLOSED = "closed"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="recalls")
    prescription = models.OneToOneField("prescriptions.Prescription", on_delete=models.PROTECT, related_name="recall")
    due_on = models.DateField()
    policy = models.CharField(max_length=80)
    reason = models.CharField(max_length=300)
    source = models.CharField(max_length=300, blank=True, help_text="The rule that gave the day")
    state = models.CharField(max_length=8, choices=State.choices, default=State.PLANNED)
    closed_reason = models.CharField(max_length=200, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["customer"], condition=Q(state="planned"), name="reminders_one_planned_recall"
            )
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="reminders_recall_newest"),
            models.Index(fields=["branch", "due_on", "id"], name="reminders_recall_due", condition=Q(state="planned")),
        ]

    def __str__(self) -> str:
        return f"{self.customer_id} due {self.due_on}"
