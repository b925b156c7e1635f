from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned


class ReplenishmentRun(Entity):
    """One answer to "what should we order?", for one branch or several, with all that it was computed from.

    It is a record of what was known and advised then: the database refuses to change or delete it (migration 0002). Who
    may see it is whoever may see all of its branches.
    """

    branches = models.ManyToManyField("branches.Branch", related_name="+")
    lenses = models.ManyToManyField("catalogue.LensProduct", related_name="+")
    advised_on = models.DateField(help_text="The day at the first branch")
    currency = models.CharField(max_length=3)
    parameters = models.JSONField(help_text="What was asked for: service, history, review, lead time, cover, transfers")
    method = models.CharField(max_length=20, help_text="Version of the computation")
    budget = models.DecimalField(max_digits=12, decimal_places=2, null=True)
    cost = models.DecimalField(max_digits=12, decimal_places=2, help_text="Of all that is suggested to be bought")
    cost_without_budget = models.DecimalField(max_digits=12, decimal_places=2)
    pieces_to_buy = models.PositiveIntegerField()
    pieces_to_transfer = models.PositiveIntegerField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(budget__isnull=True) | Q(cost__lte=F("budget")), name="replenishment_within_budget"
            ),
        ]

    def __str__(self) -> str:
        return f"advice of {self.advised_on}"


class ReplenishmentLine(Entity, BranchOwned):
    """One power at one branch: what is there, what is expected of it, and what to do, with the reason in words.

    Sealed like its run. ``reorder_point`` is null where the power is not worth keeping; ``position`` is what is
    available, on order, under way or drafted, less what is drafted to leave.
    """

    run = models.ForeignKey(ReplenishmentRun, on_delete=models.PROTECT, related_name="lines")
    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    item = models.ForeignKey("stock.StockItem", on_delete=models.PROTECT, related_name="+")
    abc_class = models.CharField(max_length=1, help_text="A, B, C by value moved at the branch; D did not move")
    on_hand = models.PositiveIntegerField()
    available = models.PositiveIntegerField()
    on_order = models.PositiveIntegerField(help_text="Sent to suppliers and not yet received")
    in_transit = models.PositiveIntegerField(help_text="Sent here by other branches and not yet arrived")
    drafted = models.IntegerField(help_text="In draft orders and transfers to this branch, less in drafts leaving it")
    position = models.IntegerField()
    pieces_used = models.PositiveIntegerField(help_text="In the weeks of history")
    weeks = models.PositiveIntegerField(help_text="Of history of the product at the branch")
    weekly_mean = models.FloatField()
    mean_error = models.FloatField(help_text="Standard error of the weekly mean")
    dispersion = models.FloatField(help_text="Variance over mean of a week; 1 when pieces come one by one")
    borrowed = models.FloatField(help_text="Share of the mean that rests on other branches")
    family = models.CharField(max_length=20, help_text="How pieces come: none, poisson or negative_binomial")
    lead_days = models.PositiveIntegerField(help_text="Calendar days from order to arrival")
    reorder_point = models.PositiveIntegerField(null=True)
    order_up_to = models.PositiveIntegerField()
    cycle_service = models.FloatField(help_text="Expected, at the reorder level")
    fill_rate = models.FloatField(help_text="Expected, at the reorder level")
    pack_size = models.PositiveIntegerField(default=1)
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2, null=True)
    supplier = models.ForeignKey("purchasing.Supplier", on_delete=models.PROTECT, null=True, related_name="+")
    transfer_from = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    transfer_quantity = models.PositiveIntegerField(default=0)
    wanted_quantity = models.PositiveIntegerField(default=0, help_text="To buy, in whole packs, were there no budget")
    buy_quantity = models.PositiveIntegerField(default=0)
    cost = models.DecimalField(max_digits=12, decimal_places=2, default=0)
    explanation = models.TextField()

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["run", "branch", "item"], name="replenishment_line_once"),
            models.CheckConstraint(
                condition=Q(buy_quantity__lte=F("wanted_quantity")), name="replenishment_buys_no_more_than_wanted"
            ),
            models.CheckConstraint(
                condition=Q(transfer_quantity=0) | Q(transfer_from__isnull=False),
                name="replenishment_transfer_has_sender",
            ),
            models.CheckConstraint(
                condition=Q(transfer_from__isnull=True) | ~Q(transfer_from=F("branch")),
                name="replenishment_not_to_itself",
            ),
            models.CheckConstraint(
                condition=Q(buy_quantity=0) | Q(supplier__isnull=False, unit_cost__isnull=False),
                name="replenishment_purchase_has_supplier",
            ),
        ]
        indexes = [
            models.Index(fields=["run", "-id"], name="replenishment_line_run"),
            models.Index(fields=["branch", "-id"], name="replenishment_line_branch"),
        ]

    def __str__(self) -> str:
        return f"{self.item_id} at {self.branch_id}: buy {self.buy_quantity}"


class Acceptance(Entity, BranchOwned):
    """A line that somebody made a draft of. A line is accepted once."""

    branch_path = "line__branch"

    line = models.OneToOneField(ReplenishmentLine, on_delete=models.PROTECT, related_name="acceptance")
    buy_quantity = models.PositiveIntegerField()
    transfer_quantity = models.PositiveIntegerField()
    purchase_order = models.ForeignKey(
        "purchasing.PurchaseOrder", on_delete=models.PROTECT, null=True, related_name="+"
    )
    transfer = models.ForeignKey("stock.Transfer", on_delete=models.PROTECT, null=True, related_name="+")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(purchase_order__isnull=False) | Q(transfer__isnull=False),
                name="replenishment_accepted_into_something",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.buy_quantity} bought, {self.transfer_quantity} transferred"
