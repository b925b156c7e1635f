from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .ledger import Lot, Movement


class StockCount(Entity, BranchOwned):
    """A stock-take of a section of a branch, while selling goes on."""

    class State(models.TextChoices):
        OPEN = "open", "Being counted"
        SUBMITTED = "submitted", "Waits for approval"
        APPROVED = "approved", "Approved; the balances were adjusted"
        CANCELLED = "cancelled"

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=40, unique=True)
    section = models.JSONField(help_text="What is counted, as it was asked for")
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    note = models.CharField(max_length=200, blank=True)
    opened_by_label = models.CharField(max_length=200)
    submitted_at = models.DateTimeField(null=True)
    submitted_by_label = models.CharField(max_length=200, blank=True)
    decided_at = models.DateTimeField(null=True)
    decided_by_label = models.CharField(max_length=200, blank=True)
    decision_reason = models.CharField(max_length=200, blank=True)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["open", "submitted", "approved", "cancelled"]), name="stock_count_state_known"
            )
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="stock_count_newest")]

    def __str__(self) -> str:
        return f"{self.number}: {self.state}"


_STATE = StockCount.State
#: From each state, the states that may follow.
COUNT_MOVES: dict[str, frozenset[str]] = {
    _STATE.OPEN: frozenset({_STATE.SUBMITTED, _STATE.CANCELLED}),
    _STATE.SUBMITTED: frozenset({_STATE.OPEN, _STATE.APPROVED, _STATE.CANCELLED}),
}


class CountLine(Entity, BranchOwned):
    """One lot on a count sheet: what was found, and what the ledger held at that very moment.

    ``ledger_line`` is the last line of the lot when it was counted. What moved after it happened after the count and is
    not part of the variance; what moved before it is. A lot is on one open sheet at a time.
    """

    branch_path = "count__branch"

    count = models.ForeignKey(StockCount, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="+")
    is_open = models.BooleanField(default=True)
    counted = models.PositiveIntegerField(null=True, help_text="Everything found, promised pieces too")
    expected = models.PositiveIntegerField(null=True, help_text="On hand by the ledger when it was counted")
    reserved = models.PositiveIntegerField(null=True, help_text="Promised by the ledger when it was counted")
    ledger_line = models.PositiveIntegerField(null=True)
    readings = models.PositiveIntegerField(default=0, help_text="How often it was counted")
    counted_at = models.DateTimeField(null=True)
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    counted_by_label = models.CharField(max_length=200, blank=True)
    adjustment = models.OneToOneField(Movement, on_delete=models.PROTECT, null=True, related_name="count_line")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["count", "lot"], name="stock_count_line_once"),
            models.UniqueConstraint(fields=["lot"], condition=Q(is_open=True), name="stock_lot_on_one_open_count"),
            models.CheckConstraint(
                condition=Q(counted__isnull=True, expected__isnull=True, ledger_line__isnull=True)
                | Q(counted__isnull=False, expected__isnull=False, ledger_line__isnull=False),
                name="stock_count_line_whole",
            ),
        ]
        indexes = [models.Index(fields=["count", "-id"], name="stock_count_line_newest")]

    def __str__(self) -> str:
        return f"{self.counted} counted, {self.expected} expected"
