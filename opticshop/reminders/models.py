from __future__ import annotations

from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


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
