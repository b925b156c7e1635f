"""Tables of reports that are sent by mail: what was agreed, each time it was due, and the mail to each person."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core import clock
from opticshop.core.models import Entity, Versioned


class Rhythm(models.TextChoices):
    DAILY = "daily"
    WEEKLY = "weekly", "On one day of the week"
    MONTHLY = "monthly", "On one day of the month; in a shorter month on its last day"


class PeriodInWords(models.TextChoices):
    """Reckoned from the day on which the report is due, in the time zone of the schedule."""

    YESTERDAY = "yesterday"
    LAST_WEEK = "last_week", "The last whole week, Monday to Sunday"
    LAST_MONTH = "last_month", "The last whole month"
    MONTH_TO_DATE = "month_to_date", "From the first of the month up to yesterday; on the first, the month before"


class SentFormat(models.TextChoices):
    CSV = "csv", "The rows"
    XLSX = "xlsx", "A workbook: the rows, and the definitions of the columns"
    JSON = "json", "What the API answers; never attached, only its address is sent"


class ReportSchedule(Entity, Versioned):
    """A report that is sent to people again and again.

    Without branches each gets those that they may see at that moment.
    """

    class State(models.TextChoices):
        ACTIVE = "active"
        PAUSED = "paused"
        ENDED = "ended", "Deleted; kept, because mails of it were sent"

    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    report = models.CharField(max_length=60)
    by = models.CharField(max_length=40)
    compare = models.CharField(max_length=20, blank=True)
    branches = models.ManyToManyField("branches.Branch", related_name="+")
    format = models.CharField(max_length=4, choices=SentFormat.choices)
    period = models.CharField(max_length=13, choices=PeriodInWords.choices)
    rhythm = models.CharField(max_length=7, choices=Rhythm.choices)
    weekday = models.PositiveSmallIntegerField(null=True, help_text="1 is Monday (ISO 8601)")
    month_day = models.PositiveSmallIntegerField(null=True, help_text="31 is the last day of every month")
    hour = models.PositiveSmallIntegerField(help_text="0 to 23, by the clocks of the time zone")
    time_zone = models.CharField(max_length=60, help_text="IANA name")
    sender = models.ForeignKey(
        "branches.Branch", on_delete=models.PROTECT, related_name="+", help_text="By whose mail it is sent"
    )
    state = models.CharField(max_length=6, choices=State.choices, default=State.ACTIVE)
    paused_because = models.CharField(max_length=300, blank=True)
    next_due_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(format__in=SentFormat.values), name="reports_schedule_format_known"),
            models.CheckConstraint(condition=Q(period__in=PeriodInWords.values), name="reports_schedule_period_known"),
            models.CheckConstraint(
                condition=Q(rhythm="daily", weekday=None, month_day=None)
                | Q(rhythm="weekly", weekday__range=(1, 7), month_day=None)
                | Q(rhythm="monthly", weekday=None, month_day__range=(1, 31)),
                name="reports_schedule_rhythm_whole",
            ),
            models.CheckConstraint(condition=Q(hour__lte=23), name="reports_schedule_hour"),
            models.CheckConstraint(
                condition=Q(state="active", next_due_at__isnull=False)
                | Q(state__in=["paused", "ended"], next_due_at=None),
                name="reports_schedule_due_while_active",
            ),
        ]
        indexes = [
            models.Index(fields=["made_by", "-id"], name="reports_schedule_newest"),
            models.Index(fields=["next_due_at"], name="reports_schedule_due", condition=Q(state="active")),
        ]

    def __str__(self) -> str:
        return f"{self.report} {self.rhythm}: {self.state}"


class ReportRecipient(Entity):
    """A person who is sent a scheduled report, until they leave, or lose what they need to see it."""

    schedule = models.ForeignKey(ReportSchedule, on_delete=models.CASCADE, related_name="recipients")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    stopped_at = models.DateTimeField(null=True)
    stopped_because = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["schedule", "user"], name="reports_recipient_once"),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} of {self.schedule_id}"


class ReportOccurrence(Entity):
    """One time that a schedule was due, or that somebody asked for it at once: there is one row for each."""

    schedule = models.ForeignKey(ReportSchedule, on_delete=models.PROTECT, related_name="occurrences")
    due_at = models.DateTimeField()
    by_hand = models.BooleanField(default=False, help_text="Asked for by one of its people, for that person alone")
    missed = models.PositiveIntegerField(default=0, help_text="How many before it were left out, because no duty ran")
    since = models.DateField()
    until = models.DateField(help_text="The last day, included")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["schedule", "due_at"], condition=Q(by_hand=False), name="reports_occurrence_once"
            ),
            models.CheckConstraint(condition=Q(until__gte=F("since")), name="reports_occurrence_days_in_order"),
        ]
        indexes = [models.Index(fields=["schedule", "-id"], name="reports_occurrence_newest")]

    def __str__(self) -> str:
        return f"{self.schedule_id} at {self.due_at}"


class ReportMail(Entity):
    """One mail to one person: a report, or, without an occurrence, the code that proves their address.

    The attempt is recorded before sending, the outcome after.
    """

    class State(models.TextChoices):
        QUEUED = "queued"
        SENDING = "sending"
        SENT = "sent"
        FAILED = "failed"

    occurrence = models.ForeignKey(ReportOccurrence, on_delete=models.PROTECT, null=True, related_name="mails")
    run = models.ForeignKey("reports.ReportRun", on_delete=models.PROTECT, null=True, related_name="+")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    sender = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    channel = models.CharField(max_length=80, blank=True)
    to = models.CharField(max_length=254, blank=True)
    state = models.CharField(max_length=7, choices=State.choices, default=State.QUEUED)
    due_at = models.DateTimeField(default=clock.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    attempted_at = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    is_attached = models.BooleanField(default=False, help_text="False: its address was sent, which asks for a sign-in")
    detail = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["occurrence", "user"], name="reports_mail_once"),
            models.CheckConstraint(
                condition=Q(occurrence=None, run=None) | Q(occurrence__isnull=False, run__isnull=False),
                name="reports_mail_of_a_run",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "sending", "sent", "failed"]), name="reports_mail_state_known"
            ),
        ]
        indexes = [
            models.Index(fields=["due_at", "id"], name="reports_mail_due", condition=Q(state__in=["queued", "sending"]))
        ]

    def __str__(self) -> str:
        return f"{self.id} {self.state}"


class ReportAddress(Entity):
    """That a person can read what is sent to the address of their account: reports go to no other."""

    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    address = models.EmailField(help_text="That of the account when the code was asked for")
    asked_at = models.DateTimeField()
    confirmed_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return f"{self.user_id}: {'confirmed' if self.confirmed_at else 'asked'}"
