from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core import clock
from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Appointment(Entity, Versioned, BranchOwned):
    """One customer at one branch at one time. ``sequence`` rises with every change that a calendar shows.

    That nobody is booked twice at once is checked under locks (``services.booking``); on PostgreSQL two exclusion
    constraints stand behind it, where the extension btree_gist may be created (migration 0001).
    """

    class Kind(models.TextChoices):
        EXAMINATION = "examination"
        DISPENSING = "dispensing"
        COLLECTION = "collection"
        ADJUSTMENT = "adjustment"
        OTHER = "other"

    class State(models.TextChoices):
        BOOKED = "booked"
        ARRIVED = "arrived"
        ATTENDED = "attended"
        MISSED = "missed"
        CANCELLED = "cancelled"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="appointments")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    seen_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    place = models.CharField(max_length=80, blank=True, help_text="Room or chair")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, null=True, related_name="appointments")
    note = models.TextField(blank=True, help_text="For the branch alone; never in a calendar")
    state = models.CharField(max_length=9, choices=State.choices, default=State.BOOKED)
    cancelled_reason = models.CharField(max_length=300, blank=True)
    sequence = models.PositiveIntegerField(default=0, editable=False, help_text="SEQUENCE of RFC 5545")
    booked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    agreed_at = models.DateTimeField(default=clock.now, help_text="When the present time was agreed")
    changed_at = models.DateTimeField(default=clock.now, help_text="When a calendar last saw something new")
    remind_at = models.DateTimeField(null=True, help_text="When a reminder is to be queued; empty where none is")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(condition=Q(starts_at__lt=F("ends_at")), name="appointments_end_after_start"),
            models.CheckConstraint(
                condition=Q(kind__in=["examination", "dispensing", "collection", "adjustment", "other"]),
                name="appointments_kind_known",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["booked", "arrived", "attended", "missed", "cancelled"]),
                name="appointments_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(cancelled_reason=""), name="appointments_cancel_explained"
            ),
            models.CheckConstraint(
                condition=Q(order__isnull=True) | Q(kind="collection"), name="appointments_order_is_collected"
            ),
            models.CheckConstraint(
                condition=Q(remind_at__isnull=True) | Q(state="booked"), name="appointments_remind_of_booked"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "starts_at", "id"], name="appointments_branch_day"),
            models.Index(fields=["customer", "starts_at"], name="appointments_customer"),
            models.Index(fields=["seen_by", "starts_at"], name="appointments_seen_by"),
            models.Index(
                fields=["remind_at", "id"], name="appointments_remind_due", condition=Q(remind_at__isnull=False)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.starts_at:%Y-%m-%d %H:%M} {self.state}"


State = Appointment.State

#: From each state, the states an appointment may move to. Who was missed or called off is booked anew.
APPOINTMENT_MOVES: dict[str, frozenset[str]] = {
    State.BOOKED: frozenset({State.ARRIVED, State.ATTENDED, State.MISSED, State.CANCELLED}),
    State.ARRIVED: frozenset({State.ATTENDED, State.CANCELLED}),
    State.ATTENDED: frozenset(),
    State.MISSED: frozenset(),
    State.CANCELLED: frozenset(),
}
#: In these, an appointment takes up the time of its customer and of who sees them.
TAKES_TIME = (State.BOOKED, State.ARRIVED, State.ATTENDED)


class CalendarFeed(Entity, BranchOwned):
    """A calendar of a branch that programs read at an address nobody can guess. Only a hash of its token is kept."""

    class What(models.TextChoices):
        APPOINTMENTS = "appointments"
        PERSON = "person"
        COLLECTIONS = "collections"
        EVERYTHING = "everything"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    what = models.CharField(max_length=12, choices=What.choices)
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    name = models.CharField(max_length=80)
    shows_given_names = models.BooleanField(default=False)
    token_hash = models.CharField(max_length=64, unique=True, help_text="SHA-256 of the token, in hex")
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    revoked_at = models.DateTimeField(null=True)
    last_read_at = models.DateTimeField(null=True, help_text="To the nearest few minutes")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(what="person", person__isnull=False)
                | Q(what__in=["appointments", "collections", "everything"], person__isnull=True),
                name="appointments_feed_of_whom",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="appointments_feed_newest")]

    def __str__(self) -> str:
        return f"{self.name} ({self.what})"
