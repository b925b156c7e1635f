from __future__ import annotations

import datetime as dt

from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Outcome(models.TextChoices):
    """What became of a recall that is closed."""

    CAME_BACK = "came_back", "Has a newer prescription, or says so"
    OPTED_OUT = "opted_out", "Asked not to be recalled"
    MOVED = "moved", "Moved away"
    DECEASED = "deceased"
    WRONG_PERSON = "wrong_person", "The address is somebody else's"
    SUPERSEDED = "superseded", "Another recall of the same person stands, or the policy gives no day any more"
    EXHAUSTED = "exhausted", "Every notice was made, and nobody came within 90 days of the last"
    BY_HAND = "by_hand", "Closed by a person, with the reason"


class Recall(Entity, BranchOwned):
    """When a wearer is to be called back, and why then; how often the wearer was told, and what became of it.

    ``next_notice_on`` is set only while the branch's campaign runs and nothing known stands in the way.
    """

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
    outcome = models.CharField(
        max_length=12, choices=Outcome.choices, blank=True, default="", db_default="", help_text="Empty while planned"
    )
    closed_reason = models.CharField(max_length=200, blank=True)
    closed_at = models.DateTimeField(null=True)
    returned_on = models.DateField(null=True, help_text="Day of the person's newer prescription")
    notices_made = models.PositiveSmallIntegerField(default=0, db_default=0)
    notices_carried = models.PositiveSmallIntegerField(
        default=0, db_default=0, help_text="Of the notices made, those that a merged record of the person had got"
    )
    notices_lost = models.PositiveSmallIntegerField(
        default=0, db_default=0, help_text="Of the notices made, those that could not be delivered or were taken back"
    )
    first_notice_on = models.DateField(null=True)
    last_notice_on = models.DateField(null=True)
    next_notice_on = models.DateField(null=True, help_text="Empty: no notice is to come as things stand")
    held_until = models.DateField(null=True, help_text="No notice before this day")
    held_for = models.CharField(max_length=120, blank=True, default="", db_default="", help_text="What holds it")
    obstacle = models.CharField(
        max_length=300, blank=True, default="", db_default="", help_text="Why the person cannot be told; for staff"
    )

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["customer"], condition=Q(state="planned"), name="reminders_one_planned_recall"
            ),
            models.CheckConstraint(
                condition=Q(state="planned") | Q(next_notice_on__isnull=True), name="reminders_closed_has_no_notice"
            ),
            models.CheckConstraint(
                condition=Q(notices_made__gte=F("notices_carried")), name="reminders_carried_within_made"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="reminders_recall_newest"),
            models.Index(fields=["branch", "due_on", "id"], name="reminders_recall_due", condition=Q(state="planned")),
            models.Index(
                fields=["next_notice_on", "branch", "id"],
                name="reminders_notice_due",
                condition=Q(state="planned", next_notice_on__isnull=False),
            ),
            models.Index(
                fields=["branch", "last_notice_on"],
                name="reminders_notice_last",
                condition=Q(last_notice_on__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.customer_id} due {self.due_on}"


class CampaignState(models.TextChoices):
    DRAFT = "draft"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"


#: What may follow what. A finished campaign is over; its successor is a new one.
CAMPAIGN_MOVES: dict[str, frozenset[str]] = {
    CampaignState.DRAFT: frozenset({CampaignState.RUNNING, CampaignState.FINISHED}),
    CampaignState.RUNNING: frozenset({CampaignState.PAUSED, CampaignState.FINISHED}),
    CampaignState.PAUSED: frozenset({CampaignState.RUNNING, CampaignState.FINISHED}),
    CampaignState.FINISHED: frozenset(),
}
WAYS = ("email", "text", "letter")


class Campaign(Entity, Versioned, BranchOwned):
    """How the wearers of a branch are called back: which notices when, by which ways, at which hours, how many a day.

    One at most is open (running or paused) in a branch. Quiet hours may go over midnight.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=120)
    state = models.CharField(max_length=8, choices=CampaignState.choices, default=CampaignState.DRAFT)
    ways = models.JSONField(help_text="Ways in the order in which they are tried after the one a person prefers")
    quiet_from = models.TimeField(default=dt.time(20), help_text="Nobody is disturbed from then, branch's time")
    quiet_to = models.TimeField(default=dt.time(9), help_text="until then")
    open_days_only = models.BooleanField(default=True, help_text="Only while the branch is open and can answer")
    daily_cap = models.PositiveIntegerField(help_text="Notices on one day of the branch")
    not_due_before = models.DateField(help_text="Who was due earlier is left alone")
    booking_days = models.PositiveSmallIntegerField(
        default=42, db_default=42, help_text="So long notices wait for a visit that somebody answered is booked"
    )
    promotes = models.BooleanField(
        default=False, help_text="The texts promote something: marketing, for those only who agreed to it"
    )
    started_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["branch"], condition=Q(state__in=["running", "paused"]), name="reminders_one_open_campaign"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["draft", "running", "paused", "finished"]), name="reminders_campaign_state"
            ),
            models.CheckConstraint(condition=Q(daily_cap__gte=1), name="reminders_campaign_cap"),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="reminders_campaign_newest")]

    def __str__(self) -> str:
        return self.name


class CampaignNotice(Entity):
    """One notice of a campaign: first, second or final, so many days from the due day and after the one before."""

    campaign = models.ForeignKey(Campaign, on_delete=models.CASCADE, related_name="notices")
    ordinal = models.PositiveSmallIntegerField(help_text="1 is the first notice, 2 the second, 3 the final one")
    days_from_due = models.SmallIntegerField(help_text="Negative: before the due day")
    min_gap_days = models.PositiveSmallIntegerField(default=0, help_text="At least so long after the notice before")

    class Meta:
        ordering = ["ordinal"]
        constraints = [
            models.UniqueConstraint(fields=["campaign", "ordinal"], name="reminders_notice_once"),
            models.CheckConstraint(
                condition=Q(ordinal__gte=1, ordinal__lte=3)
                & Q(days_from_due__gte=-365, days_from_due__lte=730)
                & (Q(ordinal=1) | Q(min_gap_days__gte=1))
                & Q(min_gap_days__lte=365),
                name="reminders_notice_bounds",
            ),
        ]

    def __str__(self) -> str:
        return f"notice {self.ordinal}"
