from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity, Versioned
from opticshop.core.scoping import BranchOwned


class Account(Entity):
    """One account of the group's chart. The service posts by role; an account without one takes no posting of ours."""

    class Kind(models.TextChoices):
        ASSET = "asset"
        LIABILITY = "liability"
        INCOME = "income"
        EXPENSE = "expense"
        EQUITY = "equity"

    code = models.CharField(max_length=12, unique=True)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=10, choices=Kind.choices)
    role = models.CharField(max_length=40, unique=True, null=True)

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["asset", "liability", "income", "expense", "equity"]),
                name="ledger_account_kind_known",
            )
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class Entry(Entity, BranchOwned):
    """One event of money, booked in balance. Never changed, never deleted; what was wrong is reversed.

    A document is booked once for a purpose, so the same event cannot be posted twice. ``line_count`` and ``total``
    (of either side) say what the entry is made of: on PostgreSQL a deferred trigger compares them with the lines when
    the transaction ends; on SQLite the service alone sees to it. ``manage.py ledger_verify`` proves it on both.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    booked_on = models.DateField()
    purpose = models.CharField(max_length=60, help_text="What about the document is booked")
    document = models.CharField(max_length=120, help_text="What caused it, for instance payments/<id>")
    description = models.CharField(max_length=200)
    reference = models.CharField(max_length=80, blank=True, help_text="Number for people, for instance of a receipt")
    currency = models.CharField(max_length=3)
    total = models.DecimalField(max_digits=14, decimal_places=2)
    line_count = models.PositiveSmallIntegerField()
    reverses = models.OneToOneField("self", on_delete=models.PROTECT, null=True, related_name="reversed_by")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        verbose_name_plural = "entries"
        constraints = [
            models.UniqueConstraint(fields=["document", "purpose"], name="ledger_document_booked_once"),
            models.CheckConstraint(condition=~Q(document="") & ~Q(purpose=""), name="ledger_entry_has_a_cause"),
            models.CheckConstraint(
                condition=Q(total__gt=0) & Q(line_count__gte=2), name="ledger_entry_books_something"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "-id"], name="ledger_entry_newest"),
            models.Index(fields=["branch", "booked_on"], name="ledger_entry_day"),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.description}"


class Line(Entity, BranchOwned):
    """One side of an entry. Never changed, never deleted."""

    branch_path = "entry__branch"

    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="lines")
    line_no = models.PositiveSmallIntegerField()
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="lines")
    debit = models.DecimalField(max_digits=14, decimal_places=2, default=0)
    credit = models.DecimalField(max_digits=14, decimal_places=2, default=0)
    tax_code = models.CharField(max_length=20, blank=True)
    party = models.CharField(max_length=120, blank=True, help_text="Whose money, for instance customers/<id>")

    class Meta(BranchOwned.Meta):
        ordering = ["line_no"]
        constraints = [
            models.UniqueConstraint(fields=["entry", "line_no"], name="ledger_line_once"),
            models.CheckConstraint(
                condition=(Q(debit__gt=0) & Q(credit=0)) | (Q(credit__gt=0) & Q(debit=0)),
                name="ledger_line_has_one_side",
            ),
        ]
        indexes = [models.Index(fields=["party", "account"], name="ledger_line_party", condition=~Q(party=""))]

    def __str__(self) -> str:
        return f"{self.account_id} {self.debit - self.credit:+}"


class Period(Entity, Versioned):
    """One month of a branch, or of the company, that was closed at least once. Who closed it when is in the outbox."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    month = models.DateField(help_text="Its first day")
    is_closed = models.BooleanField(default=True)
    changed_at = models.DateTimeField()
    reason = models.CharField(max_length=200, blank=True, help_text="Why it was opened again")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["branch", "month"], name="ledger_period_once_per_branch"),
            models.UniqueConstraint(
                fields=["month"], condition=Q(branch__isnull=True), name="ledger_period_once_for_company"
            ),
            models.CheckConstraint(condition=Q(month__day=1), name="ledger_period_is_a_month"),
            models.CheckConstraint(condition=Q(is_closed=True) | ~Q(reason=""), name="ledger_reopening_explained"),
        ]

    def __str__(self) -> str:
        return f"{self.month:%Y-%m} {'closed' if self.is_closed else 'open again'}"
