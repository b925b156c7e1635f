from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .suppliers import Supplier


class LensOrderState(models.TextChoices):
    DRAFT = "draft"
    SENT = "sent"
    CONFIRMED = "confirmed", "Confirmed with a day"
    RECEIVED = "received"
    FAULTY = "faulty", "Came wrong; ordered again"
    CANCELLED = "cancelled"


#: From each state, the states a lens order may move to.
LENS_ORDER_MOVES: dict[str, frozenset[str]] = {
    LensOrderState.DRAFT: frozenset({LensOrderState.SENT, LensOrderState.CANCELLED}),
    LensOrderState.SENT: frozenset(
        {LensOrderState.CONFIRMED, LensOrderState.RECEIVED, LensOrderState.FAULTY, LensOrderState.CANCELLED}
    ),
    LensOrderState.CONFIRMED: frozenset(
        {LensOrderState.CONFIRMED, LensOrderState.RECEIVED, LensOrderState.FAULTY, LensOrderState.CANCELLED}
    ),
    LensOrderState.RECEIVED: frozenset({LensOrderState.FAULTY}),
    LensOrderState.FAULTY: frozenset(),
    LensOrderState.CANCELLED: frozenset(),
}


class LensOrder(Entity, Versioned, BranchOwned):
    """A lens made by a supplier for one eye of one order, exactly as the order computed it.

    One is live per order and eye; a further attempt names what it replaces and why.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="lens_orders")
    eye = models.CharField(max_length=5)
    attempt = models.PositiveSmallIntegerField(default=1)
    reason = models.CharField(max_length=300, blank=True, help_text="Why it is ordered again")
    product = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, related_name="+")
    sphere_dpt = models.DecimalField(max_digits=5, decimal_places=2, help_text="Minus-cylinder form")
    cylinder_dpt = models.DecimalField(max_digits=5, decimal_places=2)
    axis_deg = models.PositiveSmallIntegerField(null=True)
    addition_dpt = models.DecimalField(max_digits=4, decimal_places=2, null=True)
    prism_in_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base in positive")
    prism_up_dpt = models.DecimalField(max_digits=5, decimal_places=2, default=0, help_text="Base up positive")
    centration_distance_mm = models.DecimalField(max_digits=4, decimal_places=1)
    centration_height_mm = models.DecimalField(max_digits=4, decimal_places=1)
    diameter_mm = models.DecimalField(max_digits=6, decimal_places=2)
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, null=True, related_name="lens_orders")
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    currency = models.CharField(max_length=3, blank=True)
    state = models.CharField(max_length=10, choices=LensOrderState.choices, default=LensOrderState.DRAFT)
    sent_at = models.DateTimeField(null=True)
    expected_on = models.DateField(null=True, help_text="By the lead time of the supplier")
    promised_on = models.DateField(null=True, help_text="Confirmed by the supplier")
    supplier_reference = models.CharField(max_length=60, blank=True)
    received_at = models.DateTimeField(null=True)
    lot = models.ForeignKey("stock.Lot", on_delete=models.PROTECT, null=True, related_name="+")
    outcome = models.CharField(max_length=12, blank=True, help_text="Of the reading on receipt")
    reading = models.JSONField(null=True)
    standard = models.CharField(max_length=80, blank=True)
    standard_version = models.CharField(max_length=40, blank=True)
    verdict = models.JSONField(null=True)
    unchecked_reason = models.CharField(max_length=200, blank=True)
    fault = models.CharField(max_length=500, blank=True)
    is_wanted = models.BooleanField(default=True, help_text="False once the order it was made for was called off")
    cancelled_reason = models.CharField(max_length=300, blank=True)
    received_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["order", "eye", "attempt"], name="purchasing_lens_order_attempt"),
            models.UniqueConstraint(
                fields=["order", "eye"],
                condition=Q(state__in=["draft", "sent", "confirmed"]),
                name="purchasing_one_live_lens_order",
            ),
            models.CheckConstraint(condition=Q(eye__in=["right", "left"]), name="purchasing_lens_order_eye"),
            models.CheckConstraint(
                condition=Q(state__in=["draft", "sent", "confirmed", "received", "faulty", "cancelled"]),
                name="purchasing_lens_order_state",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["sent", "confirmed", "received"])
                | (Q(supplier__isnull=False) & Q(unit_cost__isnull=False)),
                name="purchasing_lens_order_supplier",
            ),
            models.CheckConstraint(
                condition=~Q(state="confirmed") | Q(promised_on__isnull=False), name="purchasing_lens_order_promised"
            ),
            models.CheckConstraint(condition=~Q(state="faulty") | ~Q(fault=""), name="purchasing_lens_order_fault"),
            models.CheckConstraint(
                condition=Q(attempt=1) | ~Q(reason=""), name="purchasing_lens_order_again_explained"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="purchasing_lens_order_newest"),
            models.Index(fields=["branch", "state", "promised_on"], name="purchasing_lens_order_due"),
        ]

    def __str__(self) -> str:
        return self.number
