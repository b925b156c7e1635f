from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class TraceFormat(models.TextChoices):
    RECORDS = "records", "Data Communication Standard records"
    CSV = "csv", "Table of radii or points"
    SVG = "svg", "Drawing in millimetres"


class FrameTrace(Entity, BranchOwned):
    """The outlines of a frame as traced for a job: the file as it came and what was measured on it. Never changed.

    The latest trace of the order's frame is the one in use; a better one is a further row.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    job = models.ForeignKey("workshop.Job", on_delete=models.PROTECT, related_name="traces")
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, related_name="+")
    format = models.CharField(max_length=8, choices=TraceFormat.choices)
    kind = models.CharField(max_length=10, blank=True, help_text="frame, pattern or demo_lens, where the file says so")
    file_name = models.CharField(max_length=120, blank=True)
    content = models.BinaryField(help_text="The file, byte for byte")
    content_sha256 = models.CharField(max_length=64)
    eyes = models.JSONField(help_text="Per eye: points, sizes, what the file states, whether it is a mirror image")
    dbl_mm = models.DecimalField(
        max_digits=5, decimal_places=2, null=True, help_text="Distance between the lenses, where the file states it"
    )
    mirror = models.JSONField(null=True, help_text="Right against mirrored left; null unless both were traced")
    warnings = models.JSONField(default=list)
    note = models.CharField(max_length=300, blank=True)
    traced_at = models.DateTimeField()
    traced_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(format__in=["records", "csv", "svg"]), name="workshop_trace_format"),
            models.CheckConstraint(condition=Q(dbl_mm__isnull=True) | Q(dbl_mm__gt=0), name="workshop_trace_dbl"),
        ]
        indexes = [models.Index(fields=["job", "-id"], name="workshop_trace_job")]

    def __str__(self) -> str:
        return f"{self.get_format_display()} {self.traced_at:%Y-%m-%d %H:%M}"
