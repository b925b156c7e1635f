from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

#: Facts that recall intervals are made by: name -> words. Which of them count, and how, a recall policy decides.
FLAGS: dict[str, str] = {
    "binocular_anomaly": "Binocular vision anomaly",
    "corrected_refractive_error": "Corrected refractive error (in a young child)",
    "rapidly_progressing_myopia": "Rapidly progressing myopia",
    "family_history_of_glaucoma": "Glaucoma in a parent, brother, sister or child",
    "ocular_hypertension_unmonitored": "Ocular hypertension that nobody monitors",
    "diabetes": "Diabetes",
    "diabetic_retinal_screening": "Takes part in diabetic retinal screening",
}


class RecallFact(Entity, BranchOwned):
    """A clinical fact that shortens or lengthens the time to the next visit. Never edited: ended, or struck through."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="recall_facts")
    flag = models.SlugField(max_length=60, db_index=False)
    since_on = models.DateField()
    until_on = models.DateField(null=True, help_text="Last day on which it held; null while it holds")
    source = models.CharField(max_length=200, help_text="Who said so: the person, a letter, the prescriber")
    note = models.CharField(max_length=500, blank=True)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    ended_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    struck_at = models.DateTimeField(null=True)
    struck_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    struck_reason = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(until_on__isnull=True) | Q(until_on__gte=models.F("since_on")),
                name="prescriptions_fact_ends_after",
            ),
            models.CheckConstraint(condition=~Q(source=""), name="prescriptions_fact_has_source"),
            models.CheckConstraint(
                condition=(Q(struck_at__isnull=True) & Q(struck_reason=""))
                | (Q(struck_at__isnull=False) & ~Q(struck_reason="")),
                name="prescriptions_fact_struck_why",
            ),
            models.UniqueConstraint(
                fields=["customer", "flag"],
                condition=Q(until_on__isnull=True, struck_at__isnull=True),
                name="prescriptions_fact_holds_once",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="prescriptions_fact_newest"),
            models.Index(fields=["customer", "-id"], name="prescriptions_fact_customer"),
        ]

    def __str__(self) -> str:
        return f"{self.flag} since {self.since_on}"
