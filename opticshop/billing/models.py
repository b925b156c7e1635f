from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


def money_field(**options: Any) -> models.DecimalField:
    return models.DecimalField(max_digits=10, decimal_places=2, **options)


class TillDay(Entity, BranchOwned):
    """One till of one branch on one day. Its row is the lock: money moves only while the day is open.

    A day that nobody opened is made by the first money of the day, with what the day before left (``is_float_counted``
    is false); a day that nobody closed lapses when the next is made, which carries what should be in it.
    """

    class State(models.TextChoices):
        OPEN = "open"
        CLOSED = "closed"
        LAPSED = "lapsed"

    MAIN = "main"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    till = models.CharField(max_length=20, default=MAIN)
    day = models.DateField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    currency = models.CharField(max_length=3)
    carried = money_field(help_text="What the day before left; nothing on the first day")
    opening_float = money_field(help_text="What lay in the till when the day began")
    is_float_counted = models.BooleanField(help_text="No: taken over from the day before without a count")
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    expected = money_field(null=True, help_text="Cash that should be there, as the day ended")
    counted = money_field(null=True, help_text="Cash that was there; empty where nobody counted")
    left_over = money_field(null=True, help_text="What stays in the till for the next day")
    closed_at = models.DateTimeField(null=True)
    closed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "till", "day"], name="billing_till_one_row_a_day"),
            models.UniqueConstraint(
                fields=["branch", "till"], condition=Q(state="open"), name="billing_till_open_once"
            ),
            models.CheckConstraint(
                condition=Q(state="open", expected__isnull=True, counted__isnull=True, left_over__isnull=True)
                | Q(state="closed", expected__isnull=False, counted__isnull=False, left_over__isnull=False)
                | Q(state="lapsed", expected__isnull=False, counted__isnull=True, left_over__isnull=False),
                name="billing_till_figures_by_state",
            ),
            models.CheckConstraint(
                condition=Q(counted__isnull=True) | Q(left_over__gte=0, left_over__lte=F("counted")),
                name="billing_till_leaves_what_is_there",
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="billing_till_newest")]

    def __str__(self) -> str:
        return f"{self.till} {self.day}: {self.state}"

    @property
    def difference(self) -> Decimal | None:
        """Over (positive) or short (negative) at the close; none where nobody counted."""
        return None if self.counted is None or self.expected is None else self.counted - self.expected


class TillEntry(Entity):
    """What happened in a till besides payments, in order: opened, counted, paid in, paid out, closed, reopened."""

    class Kind(models.TextChoices):
        OPENED = "opened"
        COUNTED = "counted"
        PAID_IN = "paid_in"
        PAID_OUT = "paid_out"
        CLOSED = "closed"
        REOPENED = "reopened"

    class Purpose(models.TextChoices):
        BANK = "bank"
        PETTY_CASH = "petty_cash"

    till_day = models.ForeignKey(TillDay, on_delete=models.PROTECT, related_name="entries")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    purpose = models.CharField(max_length=12, choices=Purpose.choices, blank=True)
    amount = money_field(help_text="Counted, moved, or over and short; never a running balance")
    expected = money_field(help_text="Cash that should have been there at that moment")
    pieces = models.JSONField(default=dict, help_text="Notes and coins: face value -> how many")
    reason = models.CharField(max_length=200, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind__in=["paid_in", "paid_out"]) | (Q(amount__gt=0) & ~Q(purpose="") & ~Q(reason="")),
                name="billing_till_movement_explained",
            ),
            models.CheckConstraint(condition=~Q(kind="reopened") | ~Q(reason=""), name="billing_till_reopen_explained"),
        ]
        indexes = [models.Index(fields=["till_day", "id"], name="billing_till_entries")]

    def __str__(self) -> str:
        return f"{self.kind} {self.amount}"


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
    till_day = models.ForeignKey(
        TillDay,
        on_delete=models.PROTECT,
        null=True,
        related_name="payments",
        help_text="Empty on rows older than tills",
    )
    voucher = models.ForeignKey(
        "prices.SchemeVoucher", on_delete=models.PROTECT, null=True, related_name="+", help_text="Redeemed by it"
    )
    lowers_price = models.BooleanField(
        default=False,
        db_default=False,
        help_text="Given back after the pair was supplied: nothing is owed in its place",
    )
    taken_at = models.DateTimeField()
    taken_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=(Q(kind="refund") & Q(amount__lt=0) & Q(refunds__isnull=False) & ~Q(reason=""))
                | (Q(kind__in=["deposit", "balance"]) & Q(amount__gt=0) & Q(refunds__isnull=True)),
                name="billing_payment_sign",
            ),
            models.CheckConstraint(
                condition=Q(lowers_price=False) | Q(kind="refund"), name="billing_only_refund_lowers"
            ),
            models.CheckConstraint(
                condition=Q(voucher__isnull=True) | Q(method="voucher"), name="billing_voucher_by_its_method"
            ),
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


class Supply(Entity, BranchOwned):
    """The moment a pair became its customer's, once for an order however often it is remade: deposits became sales."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.OneToOneField("orders.Order", on_delete=models.PROTECT, related_name="supply")
    supplied_on = models.DateField()
    covered = money_field(help_text="What of the price was paid or written off by then")
    currency = models.CharField(max_length=3)

    class Meta(BranchOwned.Meta):
        constraints = [models.CheckConstraint(condition=Q(covered__gte=0), name="billing_supply_covered")]
        indexes = [models.Index(fields=["branch", "supplied_on"], name="billing_supply_day")]
        verbose_name_plural = "supplies"

    def __str__(self) -> str:
        return f"{self.order_id} on {self.supplied_on}"


class Settlement(Entity, BranchOwned):
    """Money settled without money moving: a deposit that is kept, a debt that is given up. Undone by its reverse."""

    class Kind(models.TextChoices):
        FORFEIT = "forfeit"
        WRITE_OFF = "write_off"

    class Borne(models.TextChoices):
        """To which account a debt that is given up goes."""

        BAD_DEBT = "bad_debt"
        GOODWILL = "goodwill"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="settlements")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    amount = money_field(help_text="Negative where it undoes another")
    currency = models.CharField(max_length=3)
    tax_parts = models.JSONField(default=list, help_text="How the amount divides between the rates of tax")
    tax_treatment = models.JSONField(default=dict, help_text="The rule applied to the tax, with source and confidence")
    borne_as = models.CharField(max_length=10, choices=Borne.choices, blank=True)
    reason = models.CharField(max_length=200)
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="reversed_by")
    settled_on = models.DateField()
    settled_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=(Q(amount__gt=0) & Q(reverses__isnull=True)) | (Q(amount__lt=0) & Q(reverses__isnull=False)),
                name="billing_settlement_sign",
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="billing_settlement_explained"),
            models.CheckConstraint(
                condition=Q(kind="forfeit", borne_as="") | (Q(kind="write_off") & ~Q(borne_as="")),
                name="billing_settlement_borne",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="billing_settlement_newest"),
            models.Index(fields=["order", "id"], name="billing_settlement_order"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.amount} {self.currency}"


class HeldDeposit(BranchOwned):
    """What is held for an order that is not supplied yet. A row only while something is: kept in step by services."""

    order = models.OneToOneField(
        "orders.Order", on_delete=models.PROTECT, primary_key=True, related_name="held_deposit"
    )
    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    amount = money_field()
    tax = money_field(help_text="The tax within it, already accounted for")
    currency = models.CharField(max_length=3)
    since = models.DateTimeField(help_text="When the first of it was taken")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(amount__gt=0, tax__gte=0, tax__lte=F("amount")), name="billing_held_money"
            )
        ]
        indexes = [models.Index(fields=["branch", "since", "order"], name="billing_held_oldest")]

    def __str__(self) -> str:
        return f"{self.amount} {self.currency} for {self.order_id}"


class Invoice(Entity, BranchOwned):
    """A full invoice of an order or a credit note for one, numbered without gaps per branch and year; never changed."""

    class Kind(models.TextChoices):
        INVOICE = "invoice"
        CREDIT_NOTE = "credit_note"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey("orders.Order", on_delete=models.PROTECT, related_name="invoices")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    number = models.CharField(max_length=40, unique=True)
    credits = models.ForeignKey("self", on_delete=models.PROTECT, null=True, related_name="credited_by")
    ordinal = models.PositiveSmallIntegerField(help_text="Counts the invoices and credit notes of one order")
    issued_on = models.DateField()
    total = money_field(help_text="With tax; positive also on a credit note")
    tax_total = money_field()
    currency = models.CharField(max_length=3)
    reason = models.CharField(max_length=200, blank=True)
    issued_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    content = models.JSONField(help_text="Seller, buyer, lines, tax by rate, totals, what was paid before")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["order", "ordinal"], name="billing_invoice_ordinal"),
            models.CheckConstraint(
                condition=Q(kind="invoice", credits__isnull=True)
                | (Q(kind="credit_note", credits__isnull=False, total__gt=0) & ~Q(reason="")),
                name="billing_credit_note_refers",
            ),
            models.CheckConstraint(
                condition=Q(total__gte=0, tax_total__gte=0, tax_total__lte=F("total")), name="billing_invoice_totals"
            ),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="billing_invoice_newest")]

    def __str__(self) -> str:
        return self.number
