from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .charts_models import DeviationPoint as DeviationPoint
from .charts_models import GaugeStudy as GaugeStudy


class Inspection(Entity, BranchOwned):
    """The final inspection of a glazed pair: the readings as taken and the verdict as given then, kept for good."""

    class Outcome(models.TextChoices):
        PASS = "pass"
        FAIL = "fail"
        UNDECIDED = "undecided"
        INCOMPLETE = "incomplete"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    job = models.ForeignKey("workshop.Job", on_delete=models.PROTECT, related_name="inspections")
    standard = models.CharField(max_length=80, help_text="Key of the tolerance standard")
    standard_version = models.CharField(max_length=40, help_text="Version of the plugin that judged")
    readings = models.JSONField(help_text="Per eye and pair, as given")
    visual = models.JSONField(default=dict, help_text="Visual checks: name -> ok and note")
    outcome = models.CharField(max_length=12, choices=Outcome.choices)
    verdict = models.JSONField(help_text="As the standard gave it")
    missing = models.JSONField(default=list, help_text="What must be measured or looked at before it can pass")
    reasons = models.JSONField(default=list, help_text="One sentence for everything that failed or is undecided")
    leaned_on_unconfirmed = models.BooleanField(default=False)
    inspected_at = models.DateTimeField()
    inspected_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome__in=["pass", "fail", "undecided", "incomplete"]),
                name="quality_outcome_known",
            )
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="quality_inspection_newest"),
            models.Index(fields=["job", "-id"], name="quality_inspection_job"),
        ]

    def __str__(self) -> str:
        return f"{self.job_id}: {self.outcome}"


class Handover(Entity, BranchOwned):
    """The pair given to the customer: fitted, advised, paid, and supervised where the law restricts the supply."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="handovers")
    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, related_name="+")
    collected_by = models.CharField(max_length=120, blank=True, help_text="Who took the pair, if not the wearer")
    advice = models.JSONField(default=list, help_text="Advice given, in the words of who gave it")
    cautions = models.JSONField(default=list, help_text="Cautions of the table that apply to this pair")
    is_restricted = models.BooleanField(default=False, help_text="Wearer under 16 or registered sight impaired")
    supervised_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    supervisor_registration = models.CharField(max_length=40, blank=True)
    handed_over_at = models.DateTimeField()
    handed_over_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(is_restricted=False) | ~Q(supervisor_registration=""),
                name="quality_restricted_is_supervised",
            )
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="quality_handover_newest")]

    def __str__(self) -> str:
        return f"{self.order_id} at {self.handed_over_at:%Y-%m-%d}"
