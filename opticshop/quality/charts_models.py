"""Tables of the control charts: deviations taken out of verdicts, and gauge studies."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


def _value(**kwargs: object) -> models.DecimalField:
    return models.DecimalField(max_digits=9, decimal_places=3, **kwargs)  # type: ignore[arg-type]


class DeviationPoint(Entity, BranchOwned):
    """One judged parameter of one lens or pair, measured minus ordered: a copy made from an inspection or a focimeter
    reading when it was recorded, laid out for charts. It can be made again from them at any time."""

    class Of(models.TextChoices):
        INSPECTION = "inspection", "Final inspection"
        READING = "reading", "Uncut lens on the focimeter"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    of = models.CharField(max_length=10, choices=Of.choices)
    of_id = models.UUIDField(help_text="The inspection or the reading")
    job = models.ForeignKey("workshop.Job", on_delete=models.CASCADE, related_name="+")
    parameter = models.CharField(max_length=40)
    eye = models.CharField(max_length=5)
    unit = models.CharField(max_length=8)
    deviation = _value(help_text="Measured minus ordered; for an axis the smaller angle, with its sign")
    limit = _value(null=True, help_text="Symmetric; null where the standard states none")
    instrument = models.ForeignKey("instruments.Instrument", on_delete=models.PROTECT, null=True, related_name="+")
    product = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, null=True, related_name="+")
    bench = models.ForeignKey("workshop.Bench", on_delete=models.PROTECT, null=True, related_name="+")
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", help_text="Who edged the lens"
    )
    measured_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    measured_at = models.DateTimeField()

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["of", "of_id", "parameter", "eye"], name="quality_point_once"),
            models.CheckConstraint(condition=Q(of__in=["inspection", "reading"]), name="quality_point_of_known"),
            models.CheckConstraint(condition=Q(eye__in=["right", "left", "pair"]), name="quality_point_eye_known"),
        ]
        indexes = [
            models.Index(fields=["parameter", "-measured_at", "-id"], name="quality_point_newest"),
            models.Index(fields=["parameter", "branch", "-measured_at", "-id"], name="quality_point_branch"),
            *(
                models.Index(
                    fields=["parameter", key, "-measured_at", "-id"],
                    name=f"quality_point_{key}",
                    condition=Q(**{f"{key}__isnull": False}),
                )
                for key in ("instrument", "product", "bench", "made_by", "measured_by")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.eye} {self.parameter}: {self.deviation}"


class GaugeStudy(Entity, BranchOwned):
    """A gauge repeatability and reproducibility study: the readings as given and what came out, kept as it was."""

    class Method(models.TextChoices):
        ANOVA = "anova", "Analysis of variance"
        AVERAGE_RANGE = "average_range", "Averages and ranges"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    title = models.CharField(max_length=120)
    instrument = models.ForeignKey("instruments.Instrument", on_delete=models.PROTECT, null=True, related_name="+")
    unit = models.CharField(max_length=20)
    method = models.CharField(max_length=13, choices=Method.choices)
    tolerance = _value(null=True, help_text="Full width: upper minus lower limit")
    operators = models.JSONField(help_text="How each operator is called")
    parts = models.JSONField(help_text="How each part is called")
    readings = models.JSONField(help_text="[operator][part][trial], as given")
    result = models.JSONField()
    studied_at = models.DateTimeField()
    studied_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(method__in=["anova", "average_range"]), name="quality_study_method_known"
            )
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="quality_study_newest")]
        verbose_name_plural = "gauge studies"

    def __str__(self) -> str:
        return self.title
