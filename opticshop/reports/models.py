from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity

from .facts.models import FactBranch as FactBranch
from .facts.models import FactDay as FactDay
from .facts.models import LossFact as LossFact
from .facts.models import MadeFact as MadeFact
from .facts.models import OfferFact as OfferFact
from .facts.models import OrderFact as OrderFact
from .facts.models import SalesFact as SalesFact
from .facts.models import StaleDays as StaleDays
from .facts.models import TimesFact as TimesFact
from .schedules_models import PeriodInWords as PeriodInWords
from .schedules_models import ReportAddress as ReportAddress
from .schedules_models import ReportMail as ReportMail
from .schedules_models import ReportOccurrence as ReportOccurrence
from .schedules_models import ReportRecipient as ReportRecipient
from .schedules_models import ReportSchedule as ReportSchedule
from .schedules_models import Rhythm as Rhythm
from .schedules_models import SentFormat as SentFormat


class Format(models.TextChoices):
    JSON = "json", "What the API answers"
    CSV = "csv", "The rows"
    XLSX = "xlsx", "A workbook: the rows, and the definitions of the columns"
    SVG = "svg", "The chart"
    PNG = "png", "The chart, as dots"


class ReportRun(Entity):
    """A report that was asked for as a job: its state, and its file until the time of that is over.

    It belongs to who asked for it, and to nobody else.
    """

    class State(models.TextChoices):
        WAITING = "waiting"
        DONE = "done"
        FAILED = "failed"
        EXPIRED = "expired", "The file is gone; ask again"

    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    report = models.CharField(max_length=60)
    since = models.DateField()
    until = models.DateField(help_text="The last day, included")
    by = models.CharField(max_length=40)
    compare = models.CharField(max_length=20, blank=True)
    branches = models.ManyToManyField("branches.Branch", related_name="+")
    format = models.CharField(max_length=4, choices=Format.choices)
    state = models.CharField(max_length=8, choices=State.choices, default=State.WAITING)
    steps_done = models.PositiveSmallIntegerField(default=0)
    steps = models.PositiveSmallIntegerField(help_text="The figures are reckoned, the file is written")
    attempts = models.PositiveSmallIntegerField(default=0)
    held_until = models.DateTimeField(null=True, help_text="While a worker makes it")
    rows = models.PositiveIntegerField(null=True)
    content = models.BinaryField(null=True)
    size = models.PositiveIntegerField(null=True, help_text="Bytes")
    sha256 = models.CharField(max_length=64, blank=True)
    ended_at = models.DateTimeField(null=True)
    expires_at = models.DateTimeField(null=True)
    last_error = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(state="done", content__isnull=False, expires_at__isnull=False)
                | Q(state__in=["waiting", "failed", "expired"], content__isnull=True),
                name="reports_run_file_while_done",
            ),
            models.CheckConstraint(condition=Q(format__in=Format.values), name="reports_run_format_known"),
            models.CheckConstraint(condition=Q(until__gte=models.F("since")), name="reports_run_days_in_order"),
            models.CheckConstraint(condition=Q(steps_done__lte=models.F("steps")), name="reports_run_steps_bounded"),
        ]
        indexes = [
            models.Index(fields=["asked_by", "-id"], name="reports_run_newest"),
            models.Index(fields=["id"], name="reports_run_waiting", condition=Q(state="waiting")),
            models.Index(fields=["expires_at"], name="reports_run_expiry", condition=Q(state="done")),
        ]

    def __str__(self) -> str:
        return f"{self.report} {self.since} to {self.until}: {self.state}"
