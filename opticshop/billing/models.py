from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class Payment(Entity, BranchOwned):
    """Money taken (positive) or given back (negative) for an order. Never changed; a mistake is paid back."""

    class Kind(models.TextChoices):
        DEPOSIT = "deposit"
        BALANCE = "balance"
        REFUND = "refund"

    class Method(models.TextChoices):
        CASH = "cash"
        CARD = "card"
        TRANSFER = "transfer"
        VOUCHER = "voucher"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="payments")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    method = models.CharField(max_length=10, choices=Method.choices)
    amount = models.DecimalField(max_digits=10, decimal_places=2)
    currency = models.CharField(max_length=3)
    reference = models.CharField(max_length=80, blank=True, help_text="Terminal or transfer reference; never card data")
    refunds = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="refunded_by")
    reason = models.CharField(max_length=200, blank=True)
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=(Q(kind="refund") & Q(amount__lt=0) & Q(refunds__isnull=False) & ~Q(reason=""))
                | (Q(kind__in=["deposit", "balance"]) & Q(amount__gt=0) & Q(refunds__isnull=True)),
                name="billing_payment_sign",
            )
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="billing_payment_newest"),
            models.Index(fields=["order", "id"], name="billing_payment_order"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.amount} {self.currency}"


class Receipt(Entity, BranchOwned):
    """The receipt of one payment, numbered without gaps per branch and year; its figures are a frozen copy."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    payment = models.OneToOneField(Payment, on_delete=models.PROTECT, related_name="receipt")
    issued_on = models.DateField()
    content = models.JSONField(help_text="Seller, lines, tax by rate, total, paid before, this payment, balance")

    class Meta(BranchOwned.Meta):
        indexes = [models.Index(fields=["branch", "-id"], name="billing_receipt_newest")]

    def __str__(self) -> str:
        return self.number
