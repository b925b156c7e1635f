from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .ledger import StockItem


class StockLevel(Entity, BranchOwned):
    """What a branch wants of an item: at the minimum it is time to order, up to the target."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    item = models.ForeignKey(StockItem, on_delete=models.PROTECT, related_name="levels")
    minimum = models.PositiveIntegerField(help_text="Order when no more than this is available or on order")
    target = models.PositiveIntegerField(help_text="Order up to this")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "item"], name="stock_one_level_per_item"),
            models.CheckConstraint(condition=Q(target__gte=F("minimum")), name="stock_level_target_above_minimum"),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="stock_level_newest")]

    def __str__(self) -> str:
        return f"{self.minimum} to {self.target}"


class Expected(Entity, BranchOwned):
    """How many pieces of an item a branch has on order and not yet received: the sum of its changes."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    item = models.ForeignKey(StockItem, on_delete=models.PROTECT, related_name="expected")
    quantity = models.PositiveIntegerField(default=0)
    lines = models.PositiveIntegerField(default=0, help_text="Number of the last line of its changes")

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["branch", "item"], name="stock_one_expected_per_item"),
            models.CheckConstraint(condition=Q(quantity__gte=0), name="stock_expected_not_negative"),
        ]
        indexes = [models.Index(fields=["branch", "-id"], name="stock_expected_newest")]

    def __str__(self) -> str:
        return f"{self.quantity} on order"


class ExpectedChange(Entity, BranchOwned):
    """One change of what is on order: which document ordered, received or called off how many. Never changed."""

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    expected = models.ForeignKey(Expected, on_delete=models.PROTECT, related_name="changes")
    line = models.PositiveIntegerField(help_text="Counts the changes of the item at the branch from 1")
    change = models.IntegerField()
    after = models.PositiveIntegerField()
    document = models.CharField(max_length=120, help_text="What caused it, for instance purchase-orders/<id>")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["expected", "line"], name="stock_expected_line_once"),
            models.CheckConstraint(condition=~Q(change=0), name="stock_expected_changes_something"),
        ]
        indexes = [models.Index(fields=["document"], name="stock_expected_document")]

    def __str__(self) -> str:
        return f"{self.change:+d} {self.document}"
