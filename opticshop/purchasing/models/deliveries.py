from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .purchase_orders import PurchaseLine, PurchaseOrder
from .suppliers import Supplier


class Delivery(Entity, Versioned, BranchOwned):
    """A parcel being unpacked: lines are scanned while it is open; confirming takes them into stock at once."""

    class State(models.TextChoices):
        OPEN = "open"
        CONFIRMED = "confirmed"
        DISCARDED = "discarded"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="deliveries")
    number = models.CharField(max_length=40, unique=True)
    delivery_note = models.CharField(max_length=60, blank=True, help_text="Number of the supplier's note")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    purchase_orders = models.ManyToManyField(
        PurchaseOrder,
        related_name="deliveries",
        help_text="What the parcel is matched with; every open order of the supplier when none is named",
    )
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    confirmed_at = models.DateTimeField(null=True)
    discarded_reason = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "deliveries"
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["open", "confirmed", "discarded"]), name="purchasing_delivery_state_known"
            ),
            models.CheckConstraint(
                condition=~Q(state="confirmed") | Q(confirmed_at__isnull=False), name="purchasing_delivery_when"
            ),
            models.UniqueConstraint(
                fields=["branch", "supplier", "delivery_note"],
                condition=~Q(delivery_note="") & ~Q(state="discarded"),
                name="purchasing_delivery_note_once",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="purchasing_delivery_newest")]

    def __str__(self) -> str:
        return self.number


class DeliveryLine(Entity):
    """Pieces of one item and lot, as scanned. With a failing reading they go into a lot in quarantine.

    ``over`` is what no purchase order asked for; it is only taken in with a reason.
    """

    class Outcome(models.TextChoices):
        UNREAD = "unread", "Not read on the focimeter"
        PASS = "pass"
        FAIL = "fail"
        UNDECIDED = "undecided"
        INCOMPLETE = "incomplete"

    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    item = models.ForeignKey("stock.StockItem", on_delete=models.PROTECT, related_name="+")
    gtin = models.CharField(max_length=14, blank=True)
    lot_code = models.CharField(max_length=40)
    quantity = models.PositiveIntegerField()
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2)
    over = models.PositiveIntegerField(default=0, help_text="Set when the delivery is confirmed")
    over_reason = models.CharField(max_length=200, blank=True)
    outcome = models.CharField(max_length=10, choices=Outcome.choices, default=Outcome.UNREAD)
    reading = models.JSONField(null=True)
    standard = models.CharField(max_length=80, blank=True)
    standard_version = models.CharField(max_length=40, blank=True)
    verdict = models.JSONField(null=True)
    lot = models.ForeignKey("stock.Lot", on_delete=models.PROTECT, null=True, related_name="+")
    scanned_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["delivery", "position"], name="purchasing_delivery_line_position"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="purchasing_delivery_line_quantity"),
            models.CheckConstraint(condition=Q(unit_cost__gte=0), name="purchasing_delivery_line_cost"),
            models.CheckConstraint(condition=Q(over__lte=F("quantity")), name="purchasing_delivery_line_over"),
            models.CheckConstraint(condition=Q(over=0) | ~Q(over_reason=""), name="purchasing_delivery_over_explained"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.lot_code}"


class DeliveryMatch(Entity):
    """Pieces of a delivery line that fill a line of a purchase order."""

    delivery_line = models.ForeignKey(DeliveryLine, on_delete=models.CASCADE, related_name="matches")
    purchase_line = models.ForeignKey(PurchaseLine, on_delete=models.PROTECT, related_name="matches")
    quantity = models.PositiveIntegerField()

    class Meta:
        verbose_name_plural = "delivery matches"
        constraints = [
            models.UniqueConstraint(fields=["delivery_line", "purchase_line"], name="purchasing_match_once"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="purchasing_match_quantity"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.purchase_line_id}"


class Shortage(Entity):
    """Pieces of a purchase order that this delivery should have brought and did not; they stay outstanding."""

    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="shortages")
    purchase_line = models.ForeignKey(PurchaseLine, on_delete=models.PROTECT, related_name="shortages")
    missing = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["delivery", "purchase_line"], name="purchasing_shortage_once"),
            models.CheckConstraint(condition=Q(missing__gte=1), name="purchasing_shortage_missing"),
        ]

    def __str__(self) -> str:
        return f"{self.missing} of {self.purchase_line_id} missing"
