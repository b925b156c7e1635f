from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .suppliers import Supplier


class ReturnState(models.TextChoices):
    DRAFT = "draft"
    SENT = "sent", "On its way to the supplier"
    CREDIT_PENDING = "credit_pending", "With the supplier; credit awaited"
    CREDITED = "credited"
    REJECTED = "rejected"
    CANCELLED = "cancelled"


#: From each state, the states a supplier return may move to.
RETURN_MOVES: dict[str, frozenset[str]] = {
    ReturnState.DRAFT: frozenset({ReturnState.SENT, ReturnState.CANCELLED}),
    ReturnState.SENT: frozenset({ReturnState.CREDIT_PENDING, ReturnState.CREDITED, ReturnState.REJECTED}),
    ReturnState.CREDIT_PENDING: frozenset({ReturnState.CREDITED, ReturnState.REJECTED}),
    ReturnState.CREDITED: frozenset(),
    ReturnState.REJECTED: frozenset(),
    ReturnState.CANCELLED: frozenset(),
}


class SupplierReturn(Entity, Versioned, BranchOwned):
    """Pieces sent back under an authorisation number of the supplier, and the credit that comes of it."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="returns")
    number = models.CharField(max_length=40, unique=True)
    state = models.CharField(max_length=14, choices=ReturnState.choices, default=ReturnState.DRAFT)
    authorisation_number = models.CharField(max_length=60, blank=True, help_text="Given by the supplier")
    currency = models.CharField(max_length=3)
    claimed = models.DecimalField(max_digits=12, decimal_places=2, default=0, help_text="Cost of its lines")
    credited_amount = models.DecimalField(max_digits=12, decimal_places=2, null=True)
    credit_note = models.CharField(max_length=60, blank=True)
    ended_reason = models.CharField(max_length=300, blank=True, help_text="Why it was rejected or cancelled")
    sent_at = models.DateTimeField(null=True)
    settled_at = models.DateTimeField(null=True)
    drafted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["draft", "sent", "credit_pending", "credited", "rejected", "cancelled"]),
                name="purchasing_return_state_known",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["draft", "cancelled"]) | ~Q(authorisation_number=""),
                name="purchasing_return_authorised",
            ),
            models.CheckConstraint(
                condition=~Q(state="credited")
                | (Q(credited_amount__isnull=False) & Q(credited_amount__gte=0) & ~Q(credit_note="")),
                name="purchasing_return_credited_how_much",
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["rejected", "cancelled"]) | ~Q(ended_reason=""),
                name="purchasing_return_end_explained",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="purchasing_return_newest")]

    def __str__(self) -> str:
        return self.number


class SupplierReturnLine(Entity):
    """Unpromised pieces of a lot, in quarantine or not, that go back."""

    supplier_return = models.ForeignKey(SupplierReturn, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    lot = models.ForeignKey("stock.Lot", on_delete=models.PROTECT, related_name="+")
    quantity = models.PositiveIntegerField()
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2)
    reason = models.CharField(max_length=200)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["supplier_return", "position"], name="purchasing_return_line_position"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="purchasing_return_line_quantity"),
            models.UniqueConstraint(fields=["supplier_return", "lot"], name="purchasing_return_lot_once"),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.lot_id}"
