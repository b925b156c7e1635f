from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .suppliers import Supplier


class PurchaseOrderState(models.TextChoices):
    DRAFT = "draft"
    SENT = "sent"
    PART_RECEIVED = "part_received", "Part received"
    RECEIVED = "received"
    CANCELLED = "cancelled"


#: From each state, the states a purchase order may move to. A part received order whose rest is cancelled is received.
PURCHASE_ORDER_MOVES: dict[str, frozenset[str]] = {
    PurchaseOrderState.DRAFT: frozenset({PurchaseOrderState.SENT, PurchaseOrderState.CANCELLED}),
    PurchaseOrderState.SENT: frozenset(
        {PurchaseOrderState.PART_RECEIVED, PurchaseOrderState.RECEIVED, PurchaseOrderState.CANCELLED}
    ),
    PurchaseOrderState.PART_RECEIVED: frozenset({PurchaseOrderState.PART_RECEIVED, PurchaseOrderState.RECEIVED}),
    PurchaseOrderState.RECEIVED: frozenset(),
    PurchaseOrderState.CANCELLED: frozenset(),
}


class PurchaseOrder(Entity, Versioned, BranchOwned):
    """What one branch orders from one supplier for its drawers."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="purchase_orders")
    number = models.CharField(max_length=40, unique=True)
    state = models.CharField(max_length=14, choices=PurchaseOrderState.choices, default=PurchaseOrderState.DRAFT)
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=12, decimal_places=2, default=0, help_text="Of its lines, without tax")
    note = models.TextField(blank=True)
    drafted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    sent_at = models.DateTimeField(null=True)
    expected_on = models.DateField(null=True)
    cancelled_reason = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["draft", "sent", "part_received", "received", "cancelled"]),
                name="purchasing_po_state_known",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["sent", "part_received", "received"]) | Q(sent_at__isnull=False),
                name="purchasing_po_sent_when",
            ),
            models.CheckConstraint(
                condition=~Q(state="cancelled") | ~Q(cancelled_reason=""), name="purchasing_po_cancel_explained"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="purchasing_po_newest"),
            models.Index(fields=["branch", "supplier", "state"], name="purchasing_po_open"),
        ]

    def __str__(self) -> str:
        return self.number


class PurchaseLine(Entity):
    """Pieces of one item. What is neither received nor cancelled is outstanding."""

    purchase_order = models.ForeignKey(PurchaseOrder, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    item = models.ForeignKey("stock.StockItem", on_delete=models.PROTECT, related_name="+")
    supplier_code = models.CharField(max_length=60, blank=True)
    quantity = models.PositiveIntegerField()
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2)
    received = models.PositiveIntegerField(default=0)
    cancelled = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["purchase_order", "position"], name="purchasing_line_position"),
            models.UniqueConstraint(fields=["purchase_order", "item"], name="purchasing_line_item_once"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="purchasing_line_quantity"),
            models.CheckConstraint(condition=Q(unit_cost__gte=0), name="purchasing_line_cost"),
            models.CheckConstraint(
                condition=Q(quantity__gte=F("received") + F("cancelled")), name="purchasing_line_not_over"
            ),
        ]
        indexes = [models.Index(fields=["item"], name="purchasing_line_item")]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.item_id}"

    @property
    def outstanding(self) -> int:
        return self.quantity - self.received - self.cancelled
