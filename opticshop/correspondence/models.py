from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core import clock
from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class Message(Entity, BranchOwned):
    """One message to one customer. The attempt is recorded before sending, the outcome after."""

    class Purpose(models.TextChoices):
        SERVICE = "service"
        RECALL = "recall"
        MARKETING = "marketing"

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        FAILED = "failed"
        WITHDRAWN = "withdrawn"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="messages")
    kind = models.CharField(max_length=40, help_text="For instance ready_for_collection")
    purpose = models.CharField(max_length=10, choices=Purpose.choices, default=Purpose.SERVICE)
    values = models.JSONField(default=dict, help_text="What fills the placeholders; never a fact of health")
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
            models.UniqueConstraint(fields=["customer", "kind", "subject_ref"], name="correspondence_message_once"),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "sending", "sent", "failed", "withdrawn"]),
                name="correspondence_message_state_known",
            ),
            models.CheckConstraint(
                condition=Q(purpose__in=["service", "recall", "marketing"]), name="correspondence_purpose_known"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="correspondence_message_newest"),
            models.Index(fields=["due_at", "id"], name="correspondence_message_due", condition=Q(state="queued")),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"
