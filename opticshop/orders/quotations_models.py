"""Quotations: a price kept for a customer until a day, before anything is ordered or reserved."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned

from .lines_models import FrozenLine


class QuotationState(models.TextChoices):
    OPEN = "open"
    ACCEPTED = "accepted"
    WITHDRAWN = "withdrawn"
    EXPIRED = "expired"


#: From each state, the states a quotation may move to. Nothing else is possible.
QUOTATION_MOVES: dict[str, frozenset[str]] = {
    QuotationState.OPEN: frozenset({QuotationState.ACCEPTED, QuotationState.WITHDRAWN, QuotationState.EXPIRED}),
    QuotationState.ACCEPTED: frozenset(),
    QuotationState.WITHDRAWN: frozenset(),
    QuotationState.EXPIRED: frozenset(),
}


class Quotation(Entity, Versioned, BranchOwned):
    """What one pair of spectacles would cost one customer, good until the end of a day of the branch."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    customer = models.ForeignKey("customers.Customer", on_delete=models.PROTECT, related_name="quotations")
    prescription = models.ForeignKey("prescriptions.Prescription", on_delete=models.PROTECT, related_name="+")
    measurement = models.ForeignKey("prescriptions.Measurement", on_delete=models.PROTECT, related_name="+")
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, related_name="+")
    frame_is_customers = models.BooleanField(default=False)
    purpose = models.CharField(max_length=12, default="distance")
    note = models.TextField(blank=True)
    state = models.CharField(max_length=10, choices=QuotationState.choices, default=QuotationState.OPEN)
    quoted_at = models.DateTimeField()
    quoted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    quoted_on = models.DateField(help_text="The branch's day on which it was priced")
    valid_to = models.DateField(help_text="Last day on which it can be accepted")
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=10, decimal_places=2)
    tax_total = models.DecimalField(max_digits=10, decimal_places=2)
    promotion_code = models.CharField(max_length=20, blank=True)
    withdrawn_reason = models.CharField(max_length=300, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["open", "accepted", "withdrawn", "expired"]), name="orders_quotation_state_known"
            ),
            models.CheckConstraint(
                condition=Q(total__gte=0) & Q(tax_total__gte=0), name="orders_quotation_not_negative"
            ),
            models.CheckConstraint(
                condition=~Q(state="withdrawn") | ~Q(withdrawn_reason=""), name="orders_quotation_explained"
            ),
            models.CheckConstraint(condition=Q(valid_to__gte=models.F("quoted_on")), name="orders_quotation_has_days"),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="orders_quotation_newest"),
            models.Index(fields=["branch", "state", "-id"], name="orders_quotation_state"),
            models.Index(fields=["customer", "-id"], name="orders_quotation_customer"),
            models.Index(fields=["branch", "quoted_on"], name="orders_quotation_day"),
            models.Index(fields=["valid_to"], condition=Q(state="open"), name="orders_quotation_due"),
        ]

    def __str__(self) -> str:
        return self.number


class QuotationLine(FrozenLine):
    """One line of a quoted price."""

    quotation = models.ForeignKey(Quotation, on_delete=models.CASCADE, related_name="lines")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["quotation", "position"], name="orders_quotation_line_place"),
            models.CheckConstraint(
                condition=Q(gross__gte=0) & Q(discount__gte=0) & Q(tax__gte=0),
                name="orders_quotation_line_sign",
            ),
        ]
