from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned
from opticshop.orders.causes import Bearer

from .traces.models import FrameTrace as FrameTrace


class JobState(models.TextChoices):
    WAITING = "waiting", "Waiting for lenses or frame"
    OPEN = "open", "On the bench or ready for it"
    STOPPED = "stopped", "Stopped with a reason"
    INSPECTED = "inspected", "Passed the final inspection"
    FINISHED = "finished", "Packed"
    CANCELLED = "cancelled", "Given up"


#: From each state, the states a job may move to.
JOB_MOVES: dict[str, frozenset[str]] = {
    JobState.WAITING: frozenset({JobState.OPEN, JobState.STOPPED, JobState.CANCELLED}),
    JobState.OPEN: frozenset({JobState.STOPPED, JobState.WAITING, JobState.INSPECTED, JobState.CANCELLED}),
    JobState.STOPPED: frozenset({JobState.OPEN, JobState.WAITING, JobState.CANCELLED}),
    JobState.INSPECTED: frozenset({JobState.FINISHED, JobState.STOPPED, JobState.CANCELLED}),
    JobState.FINISHED: frozenset(),
    JobState.CANCELLED: frozenset(),
}
LIVE_STATES = tuple(str(state) for state, moves in JOB_MOVES.items() if moves)


class StepKind(models.TextChoices):
    VERIFY = "verify", "Verify the uncut lenses on the focimeter"
    MARK_UP = "mark_up", "Mark up"
    TRACE = "trace", "Trace the frame"
    BLOCK = "block", "Lay out and block"
    EDGE = "edge", "Edge"
    HAND_EDGE = "hand_edge", "Hand-edge: safety bevel and corrections"
    GLAZE = "glaze", "Glaze"
    INSPECT = "inspect", "Final inspection"
    SET_UP = "set_up", "Set up to standard alignment"
    PACK = "pack", "Clean and pack"


#: The ordinary order of the bench (trade practice); a step can be skipped with a reason where SKIPPABLE says so.
ORDINARY_STEPS: tuple[str, ...] = tuple(StepKind.values)
#: Once one of these was begun a lens is no longer the uncut lens that was reserved, whatever is done again later.
CUTTING = frozenset({StepKind.EDGE, StepKind.HAND_EDGE, StepKind.GLAZE})
SKIPPABLE = frozenset({StepKind.MARK_UP, StepKind.TRACE, StepKind.BLOCK, StepKind.EDGE, StepKind.HAND_EDGE})


class Bench(Entity, Versioned, BranchOwned):
    """A place in the workshop of a branch where jobs lie."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    code = models.CharField(max_length=12, help_text="As it stands on the bench")
    name = models.CharField(max_length=80)
    is_active = models.BooleanField(default=True)

    class Meta(BranchOwned.Meta):
        constraints = [models.UniqueConstraint(fields=["branch", "code"], name="workshop_bench_code_once")]
        verbose_name_plural = "benches"

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Job(Entity, Versioned, BranchOwned):
    """One attempt at making the pair of an order; a remake is a further job with the next attempt number."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="jobs")
    attempt = models.PositiveSmallIntegerField(default=1)
    eyes = models.JSONField(default=list, help_text="The eyes whose lenses are made in this attempt")
    awaited_eyes = models.JSONField(default=list, help_text="Of these, the ones whose lens is not there yet")
    cut_eyes = models.JSONField(default=list, help_text="The eyes whose present lens has begun to be cut")
    state = models.CharField(max_length=12, choices=JobState.choices, default=JobState.OPEN)
    stop_reason = models.CharField(max_length=500, blank=True)
    awaits_frame = models.BooleanField(
        default=False, db_default=False, help_text="Its frame was lost; another is awaited"
    )
    remake_reason = models.CharField(max_length=300, blank=True)
    remake_cause = models.CharField(
        max_length=24, blank=True, default="", db_default="", help_text="Code of ``causes``"
    )
    remake_borne_by = models.CharField(max_length=12, blank=True, default="", db_default="", choices=Bearer.choices)
    remake_cost = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, help_text="Cost of the lenses it replaces, as far as stock knows it"
    )
    promised_on = models.DateField()
    finished_at = models.DateTimeField(null=True)
    bench = models.ForeignKey(Bench, on_delete=models.PROTECT, null=True, related_name="jobs")
    holder = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+", help_text="Who has it in hand"
    )
    held_since = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(holder__isnull=True, held_since__isnull=True)
                | Q(holder__isnull=False, held_since__isnull=False),
                name="workshop_held_since_when",
            ),
            models.UniqueConstraint(fields=["order", "attempt"], name="workshop_job_attempt_once"),
            models.UniqueConstraint(
                fields=["order"],
                condition=Q(state__in=["waiting", "open", "stopped", "inspected"]),
                name="workshop_one_live_job_per_order",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["waiting", "open", "stopped", "inspected", "finished", "cancelled"]),
                name="workshop_job_state_known",
            ),
            models.CheckConstraint(condition=~Q(state="stopped") | ~Q(stop_reason=""), name="workshop_stop_explained"),
            models.CheckConstraint(condition=Q(attempt=1) | ~Q(remake_reason=""), name="workshop_remake_explained"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="workshop_job_newest"),
            models.Index(fields=["branch", "state", "promised_on", "id"], name="workshop_job_board"),
            # The board in its order, from the first page on: of several states together, the index above is none.
            models.Index(
                fields=["branch", "promised_on", "id"], condition=Q(state__in=LIVE_STATES), name="workshop_job_live"
            ),
            models.Index(
                fields=["branch", "finished_at"], condition=Q(finished_at__isnull=False), name="workshop_job_finished"
            ),
        ]

    def __str__(self) -> str:
        return self.number


class JobStep(Entity):
    """One step of a job: who did it and when."""

    class State(models.TextChoices):
        PENDING = "pending"
        STARTED = "started"
        DONE = "done"
        SKIPPED = "skipped"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="steps")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=12, choices=StepKind.choices)
    state = models.CharField(max_length=8, choices=State.choices, default=State.PENDING)
    started_at = models.DateTimeField(null=True)
    done_at = models.DateTimeField(null=True)
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="Who finished or skipped it",
    )
    note = models.CharField(max_length=500, blank=True)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["job", "position"], name="workshop_step_position"),
            models.UniqueConstraint(fields=["job", "kind"], name="workshop_step_kind_once"),
            models.CheckConstraint(condition=~Q(state="skipped") | ~Q(note=""), name="workshop_skip_explained"),
            models.CheckConstraint(condition=~Q(state="done") | Q(done_at__isnull=False), name="workshop_done_when"),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.state}"


class LensReading(Entity):
    """An uncut lens read on the focimeter before it is cut, with the verdict of the uncut-lens standard."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="readings")
    eye = models.CharField(max_length=5)
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)
    prism_in_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base in positive")
    prism_up_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base up positive")
    outcome = models.CharField(max_length=12)
    standard = models.CharField(max_length=80, help_text="Key of the tolerance standard for uncut lenses")
    standard_version = models.CharField(max_length=40, help_text="Version of the plugin that judged")
    verdict = models.JSONField()
    instrument = models.ForeignKey(
        "instruments.Instrument", on_delete=models.PROTECT, null=True, related_name="lens_readings"
    )
    instrument_flag = models.CharField(
        max_length=500, blank=True, default="", db_default="", help_text="Why the instrument is doubtful, if it is"
    )
    of_current_lens = models.BooleanField(default=True, help_text="False once that lens was broken or replaced")
    read_at = models.DateTimeField()
    read_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(eye__in=["right", "left"]), name="workshop_reading_eye_known"),
            models.CheckConstraint(
                condition=Q(cylinder_dpt=0) | (Q(axis_deg__gte=1) & Q(axis_deg__lte=180)),
                name="workshop_reading_axis_with_cylinder",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.eye} {self.sphere_dpt}/{self.cylinder_dpt} {self.outcome}"


class Breakage(Entity):
    """A lens or the frame lost on the bench: what, where, why, who bears the cost, and whether it was replaced.

    ``cost`` is that of the lot the piece came from; empty for what is in no stock (made to order, the customer's own).
    """

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="breakages")
    eye = models.CharField(max_length=5, help_text="right or left; frame for the frame")
    step = models.CharField(max_length=12, choices=StepKind.choices)
    cause = models.CharField(max_length=24, default="other", db_default="other", help_text="Code of ``causes``")
    borne_by = models.CharField(max_length=12, choices=Bearer.choices, default=Bearer.WORKSHOP, db_default="workshop")
    reason = models.CharField(max_length=200)
    cost = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    currency = models.CharField(max_length=3, blank=True, default="", db_default="")
    replaced = models.BooleanField(help_text="Whether another lens of the same kind could be reserved at once")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(eye__in=["right", "left", "frame"]), name="workshop_breakage_part_known"
            ),
            models.CheckConstraint(condition=Q(cost__isnull=True) | Q(cost__gte=0), name="workshop_breakage_cost"),
            models.CheckConstraint(condition=Q(borne_by__in=Bearer.values), name="workshop_breakage_bearer_known"),
        ]

    def __str__(self) -> str:
        return f"{self.eye}: {self.reason}"
