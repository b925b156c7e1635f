from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q, Value

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned
from opticshop.orders.causes import Bearer

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
    instrument = models.ForeignKey(
        "instruments.Instrument",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="What its powers were read on; all that was used stands in used_instruments",
    )
    inspected_at = models.DateTimeField()
    inspected_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    repeats = models.JSONField(
        default=list, db_default=Value([], models.JSONField()), help_text="Spread of repeated readings"
    )
    needs_second = models.BooleanField(
        default=False, db_default=False, help_text="Passed at a branch that asks a second person to confirm"
    )
    second_agrees = models.BooleanField(null=True, help_text="What the second person said; empty until then")
    second_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    second_at = models.DateTimeField(null=True)
    second_note = models.CharField(max_length=300, blank=True, default="", db_default="")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(second_by__isnull=True) | ~Q(second_by=F("inspected_by")), name="quality_second_is_another"
            ),
            models.CheckConstraint(
                condition=Q(second_agrees__isnull=True) | Q(second_by__isnull=False, second_at__isnull=False),
                name="quality_second_has_a_name",
            ),
            models.CheckConstraint(
                condition=Q(outcome__in=["pass", "fail", "undecided", "incomplete"]),
                name="quality_outcome_known",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="quality_inspection_newest"),
            models.Index(fields=["job", "-id"], name="quality_inspection_job"),
        ]

    def __str__(self) -> str:
        return f"{self.job_id}: {self.outcome}"

    @property
    def lets_through(self) -> bool:
        """Whether the pair may go on: passed, and confirmed where a second person is asked for."""
        return self.outcome == self.Outcome.PASS and (not self.needs_second or self.second_agrees is True)


class UsedInstrument(Entity):
    """An instrument that an inspection was measured with, and how it stood then."""

    inspection = models.ForeignKey(Inspection, on_delete=models.CASCADE, related_name="used_instruments")
    instrument = models.ForeignKey("instruments.Instrument", on_delete=models.PROTECT, related_name="inspections")
    calibration = models.CharField(max_length=20, help_text="State of its calibration when it was used")
    flag = models.CharField(max_length=500, blank=True, help_text="Why its readings are doubtful, if they are")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["inspection", "instrument"], name="quality_instrument_once_per_inspection")
        ]

    def __str__(self) -> str:
        return f"{self.instrument_id}: {self.calibration}"


class InspectionDraft(Entity, Versioned, BranchOwned):
    """A final inspection under way: readings are added as they are taken, and concluded into an Inspection."""

    class State(models.TextChoices):
        OPEN = "open"
        CONCLUDED = "concluded"
        GIVEN_UP = "given_up"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    job = models.ForeignKey("workshop.Job", on_delete=models.PROTECT, related_name="inspection_drafts")
    standard = models.CharField(max_length=80, blank=True, help_text="Empty: the branch's own")
    visual = models.JSONField(default=dict, help_text="Visual checks made so far: name -> ok and note")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    inspection = models.OneToOneField(Inspection, on_delete=models.PROTECT, null=True, related_name="draft")
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["job"], condition=Q(state="open"), name="quality_one_open_draft_per_job"),
            models.CheckConstraint(
                condition=Q(state__in=["open", "concluded", "given_up"]), name="quality_draft_state_known"
            ),
            models.CheckConstraint(
                condition=~Q(state="concluded") | Q(inspection__isnull=False), name="quality_draft_concluded_into"
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="quality_draft_newest")]

    def __str__(self) -> str:
        return f"{self.job_id}: {self.state}"


class DraftReading(Entity):
    """What was read of one lens or of the pair in one go. Never changed; a mistaken one is struck with its reason."""

    draft = models.ForeignKey(InspectionDraft, on_delete=models.CASCADE, related_name="readings")
    subject = models.CharField(max_length=5, help_text="right, left or pair")
    values = models.JSONField(help_text="As read: name with unit -> value")
    instrument = models.ForeignKey("instruments.Instrument", on_delete=models.PROTECT, null=True, related_name="+")
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    struck_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(subject__in=["right", "left", "pair"]), name="quality_subject_known")
        ]

    def __str__(self) -> str:
        return f"{self.subject} at {self.read_at}"


class Photograph(Entity, BranchOwned):
    """A photograph of a pair, kept as a file named by its id; served only to who may see the inspection."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    job = models.ForeignKey("workshop.Job", on_delete=models.PROTECT, related_name="photographs")
    draft = models.ForeignKey(InspectionDraft, on_delete=models.PROTECT, null=True, related_name="photographs")
    inspection = models.ForeignKey(Inspection, on_delete=models.PROTECT, null=True, related_name="photographs")
    caption = models.CharField(max_length=200, blank=True)
    content_type = models.CharField(max_length=20)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    size_bytes = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(draft__isnull=False) | Q(inspection__isnull=False), name="quality_photograph_of_something"
            ),
            models.CheckConstraint(
                condition=Q(content_type__in=["image/jpeg", "image/png", "image/webp"]),
                name="quality_photograph_type_known",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="quality_photograph_newest")]

    def __str__(self) -> str:
        return f"{self.content_type} {self.width_px} x {self.height_px}"


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
    supervision_gaps = models.JSONField(
        default=list,
        db_default=Value([], models.JSONField()),
        help_text="Stages of a restricted supply for which no supervision was on record at the handover",
    )
    handed_over_at = models.DateTimeField()
    handed_over_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(is_restricted=False) | ~Q(supervisor_registration=""),
                name="quality_restricted_is_supervised",
            )
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="quality_handover_newest"),
            models.Index(fields=["branch", "handed_over_at"], name="quality_handover_day"),
        ]

    def __str__(self) -> str:
        return f"{self.order_id} at {self.handed_over_at:%Y-%m-%d}"


class SupervisedStage(Entity, BranchOwned):
    """A registrant supervised a stage of a supply: who, with which number then, recorded at the time."""

    class Stage(models.TextChoices):
        MEASUREMENT = "measurement", "Measuring"
        FINAL_CHECK = "final_check", "Checking the finished pair"
        HANDOVER = "handover", "Fitting at collection"
        REPAIR = "repair", "Repair or replacement that amounts to a new dispense"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="supervised_stages")
    stage = models.CharField(max_length=12, choices=Stage.choices)
    supervised_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    supervisor_registration = models.CharField(max_length=40)
    is_restricted = models.BooleanField(help_text="Whether the rule for this wearer asked for supervision then")
    note = models.CharField(max_length=300, blank=True)
    supervised_at = models.DateTimeField()
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=~Q(supervisor_registration=""), name="quality_supervisor_is_registered"),
            models.CheckConstraint(
                condition=Q(stage__in=["measurement", "final_check", "handover", "repair"]),
                name="quality_stage_known",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="quality_supervision_newest"),
            models.Index(fields=["order", "stage"], name="quality_supervision_order"),
        ]

    def __str__(self) -> str:
        return f"{self.stage} by {self.supervisor_registration}"


class PairReturn(Entity, Versioned, BranchOwned):
    """A collected pair that came back: why, which eye, and what was decided and who bears the cost."""

    class Decision(models.TextChoices):
        REMAKE = "remake", "Made again"
        REFUND = "refund", "Paid back"
        ADJUST = "adjust", "Adjusted or repaired"
        REFUSE = "refuse", "Nothing is done"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="returns")
    handover = models.ForeignKey(Handover, on_delete=models.PROTECT, null=True, related_name="returns")
    cause = models.CharField(max_length=24, help_text="Code of the causes of a return")
    eye = models.CharField(max_length=5, help_text="right, left, both or frame")
    words = models.CharField(max_length=250, help_text="What the customer and we say is wrong")
    reported_at = models.DateTimeField()
    reported_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    decision = models.CharField(max_length=6, choices=Decision.choices, blank=True, help_text="Empty until decided")
    decision_note = models.CharField(max_length=300, blank=True)
    borne_by = models.CharField(max_length=12, choices=Bearer.choices, blank=True)
    job = models.ForeignKey("workshop.Job", on_delete=models.PROTECT, null=True, related_name="+")
    refund = models.ForeignKey("billing.Payment", on_delete=models.PROTECT, null=True, related_name="+")
    decided_at = models.DateTimeField(null=True)
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(
                fields=["order"], condition=Q(decision=""), name="quality_one_open_return_per_order"
            ),
            models.CheckConstraint(
                condition=Q(eye__in=["right", "left", "both", "frame"]), name="quality_return_eye_known"
            ),
            models.CheckConstraint(
                condition=Q(decision="", decided_at__isnull=True)
                | (~Q(decision="") & Q(decided_at__isnull=False) & ~Q(borne_by="")),
                name="quality_return_decided_whole",
            ),
            models.CheckConstraint(
                condition=Q(decision="remake", job__isnull=False) | (~Q(decision="remake") & Q(job__isnull=True)),
                name="quality_remake_has_a_job",
            ),
            models.CheckConstraint(
                condition=Q(decision="refund", refund__isnull=False) | (~Q(decision="refund") & Q(refund__isnull=True)),
                name="quality_refund_has_a_payment",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="quality_return_newest")]

    def __str__(self) -> str:
        return f"{self.order_id}: {self.cause}, {self.decision or 'not decided'}"

    @property
    def eyes_meant(self) -> list[str] | None:
        """The one eye it is about; None for both lenses or the frame, which make the whole pair anew."""
        return [self.eye] if self.eye in ("right", "left") else None
