from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .rules import RecordKind


class RequestKind(models.TextChoices):
    """What a person may ask (GDPR, articles 15 to 20)."""

    ACCESS = "access", "A copy of everything that is kept"
    ERASURE = "erasure", "That everything goes which need not stay"
    RESTRICTION = "restriction", "That the record is kept and not used"
    LIFTING = "lifting", "That a restricted record is used again"
    CORRECTION = "correction", "That something is put right, or a note put beside it"


class RequestState(models.TextChoices):
    OPEN = "open"
    DONE = "done"
    REFUSED = "refused"
    WITHDRAWN = "withdrawn"


#: Where a request may go from where it is. What is closed stays closed; a person asks again.
REQUEST_MOVES: dict[str, frozenset[str]] = {
    RequestState.OPEN: frozenset({RequestState.DONE, RequestState.REFUSED, RequestState.WITHDRAWN}),
    RequestState.DONE: frozenset(),
    RequestState.REFUSED: frozenset(),
    RequestState.WITHDRAWN: frozenset(),
}


class PrivacyRequest(Entity, Versioned, BranchOwned):
    """What somebody asked about their data, how we know who asked, when it is due and what came of it."""

    class Way(models.TextChoices):
        IN_PERSON = "in_person"
        LETTER = "letter"
        EMAIL = "email"
        PHONE = "phone"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="+")
    guardian = models.ForeignKey(
        "customers.Customer", on_delete=models.PROTECT, null=True, related_name="+", help_text="Who asked for a child"
    )
    kind = models.CharField(max_length=12, choices=RequestKind.choices)
    state = models.CharField(max_length=10, choices=RequestState.choices, default=RequestState.OPEN)
    way = models.CharField(max_length=10, choices=Way.choices)
    received_on = models.DateField()
    identity_check = models.CharField(max_length=300, help_text="How it was made sure who asks")
    words = models.TextField(blank=True, help_text="What was asked")
    due_on = models.DateField()
    extended_reason = models.CharField(max_length=300, blank=True)
    decision = models.TextField(blank=True, help_text="What was decided and why, as the person is told")
    closed_at = models.DateTimeField(null=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["access", "erasure", "restriction", "lifting", "correction"]),
                name="privacy_request_kind_known",
            ),
            models.CheckConstraint(
                condition=Q(state="open", closed_at__isnull=True)
                | (Q(state__in=["done", "refused", "withdrawn"], closed_at__isnull=False) & ~Q(decision="")),
                name="privacy_request_closed_when_and_why",
            ),
            models.CheckConstraint(condition=~Q(identity_check=""), name="privacy_request_identity_checked"),
            models.CheckConstraint(condition=Q(due_on__gt=F("received_on")), name="privacy_request_due_later"),
            models.UniqueConstraint(
                fields=["customer", "kind"], condition=Q(state="open"), name="privacy_request_open_once"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="privacy_request_newest"),
            models.Index(fields=["due_on", "id"], name="privacy_request_due", condition=Q(state="open")),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"


class StepKind(models.TextChoices):
    RECEIVED = "received"
    EXTENDED = "extended"
    PREPARED = "prepared"
    MADE = "made"
    FAILED = "failed"
    FETCHED = "fetched"
    EXPIRED = "expired"
    DONE = "done"
    REFUSED = "refused"
    WITHDRAWN = "withdrawn"


class PrivacyStep(Entity):
    """One step of a request: what, when, by whom. The database refuses to change or delete it."""

    request = models.ForeignKey(PrivacyRequest, on_delete=models.PROTECT, related_name="steps")
    kind = models.CharField(max_length=10, choices=StepKind.choices)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)
    words = models.CharField(max_length=300, blank=True)
    counts = models.JSONField(default=dict, help_text="What was done, by table: numbers only")

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=Q(kind__in=StepKind.values), name="privacy_step_kind_known")]

    def __str__(self) -> str:
        return str(self.kind)


class AccessFile(Entity, BranchOwned):
    """The copy for an access request: made by a duty, fetched by who handles it, gone when its time is over."""

    class State(models.TextChoices):
        QUEUED = "queued"
        READY = "ready"
        FAILED = "failed"
        EXPIRED = "expired"

    branch_path = "request__branch"

    request = models.OneToOneField(PrivacyRequest, on_delete=models.PROTECT, related_name="file")
    state = models.CharField(max_length=8, choices=State.choices, default=State.QUEUED)
    content = models.BinaryField(null=True)
    size = models.PositiveIntegerField(null=True, help_text="Bytes")
    sha256 = models.CharField(max_length=64, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    made_at = models.DateTimeField(null=True)
    expires_at = models.DateTimeField(null=True)
    fetched_at = models.DateTimeField(null=True)
    last_error = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state="ready", content__isnull=False, expires_at__isnull=False)
                | (Q(state__in=["queued", "failed", "expired"], content__isnull=True)),
                name="privacy_file_there_while_ready",
            ),
        ]
        indexes = [
            models.Index(fields=["id"], name="privacy_file_queued", condition=Q(state="queued")),
            models.Index(fields=["expires_at"], name="privacy_file_expiry", condition=Q(state="ready")),
        ]

    def __str__(self) -> str:
        return f"{self.request_id}: {self.state}"


class KeptIdentity(Entity, BranchOwned):
    """Who an erased person was, for as long as records of theirs must be kept. Apart from everything that is used.

    The names are empty where only codes and dates are kept.
    """

    branch_path = "customer__branch"

    customer = models.OneToOneField("customers.Customer", on_delete=models.PROTECT, related_name="+")
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    birth_date = models.DateField(null=True)
    kept_until = models.DateField(help_text="First day on which nothing of theirs need be kept")
    next_on = models.DateField(help_text="Day on which it is looked at again what need not be kept any more")
    reason = models.CharField(max_length=300)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "kept identities"
        indexes = [models.Index(fields=["next_on", "id"], name="privacy_identity_next")]

    def __str__(self) -> str:
        return f"{self.customer_id} until {self.kept_until}"


class RetentionPeriod(Entity):
    """How long the group keeps records of a kind in a jurisdiction from a day on, instead of what we start from."""

    kind = models.CharField(max_length=12, choices=[(str(kind), str(kind)) for kind in RecordKind])
    jurisdiction = models.CharField(max_length=10, help_text='As of the branch, for instance GB; "*" for any other')
    valid_from = models.DateField()
    years = models.PositiveSmallIntegerField()
    to_age = models.PositiveSmallIntegerField(null=True, help_text="At least to this age, for who was a child")
    source = models.CharField(max_length=300)
    confidence = models.CharField(max_length=80)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "jurisdiction", "valid_from"], name="privacy_period_once"),
            models.CheckConstraint(condition=~Q(source="") & ~Q(confidence=""), name="privacy_period_sourced"),
            models.CheckConstraint(condition=Q(years__lte=100), name="privacy_period_years"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.jurisdiction}: {self.years} years"


class RunState(models.TextChoices):
    PROPOSED = "proposed"
    APPROVED = "approved"
    DONE = "done"
    DISCARDED = "discarded"


#: A proposal is approved by a person or makes room for a newer one; what is approved is carried out.
RUN_MOVES: dict[str, frozenset[str]] = {
    RunState.PROPOSED: frozenset({RunState.APPROVED, RunState.DISCARDED}),
    RunState.APPROVED: frozenset({RunState.DONE}),
    RunState.DONE: frozenset(),
    RunState.DISCARDED: frozenset(),
}


class RetentionRun(Entity, Versioned):
    """Records whose time was over on a day: found by a duty, approved by head office, then carried out in pieces."""

    as_of = models.DateField()
    state = models.CharField(max_length=9, choices=RunState.choices, default=RunState.PROPOSED)
    found = models.JSONField(default=dict, help_text="What would be done: how many persons and rows, by what")
    examples = models.JSONField(default=dict, help_text="Keys of a few, by what")
    done = models.JSONField(default=dict, help_text="What was done: rows by table, persons by what became of them")
    after = models.UUIDField(null=True, help_text="How far the persons are gone through")
    decided_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    decided_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["state"], condition=Q(state__in=["proposed", "approved"]), name="privacy_run_one_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(state__in=["proposed", "approved", "done", "discarded"]), name="privacy_run_state_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.as_of} {self.state}"
