"""Facts of a branch and a day of its own calendar. Everything here can be thrown away and built anew."""

from __future__ import annotations

from typing import Any

from django.db import models

from opticshop.core import clock
from opticshop.core.scoping import BranchOwned


def _count() -> Any:
    return models.PositiveIntegerField(default=0)


def _money() -> Any:
    return models.DecimalField(max_digits=16, decimal_places=2, default=0)


class FactBranch(BranchOwned):
    """A branch of which facts are kept, of every day from ``since`` until yesterday. Who builds them locks its row."""

    branch = models.OneToOneField("branches.Branch", on_delete=models.CASCADE, primary_key=True, related_name="+")
    since = models.DateField()

    def __str__(self) -> str:
        return f"{self.branch_id} since {self.since}"


class FactDay(BranchOwned):
    """A day whose facts are built, also where nothing happened on it.

    They hold as long as the branch has this zone and currency and the service the same ``made_with``.
    """

    id = models.BigAutoField(primary_key=True)
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, related_name="+", db_index=False)
    day = models.DateField()
    time_zone = models.CharField(max_length=60)
    currency = models.CharField(max_length=3)
    made_with = models.CharField(max_length=40, help_text="Version of the definitions and of the public holidays")
    built_at = models.DateTimeField(default=clock.now)

    class Meta(BranchOwned.Meta):
        constraints = [models.UniqueConstraint(fields=["branch", "day"], name="reports_fact_day_once")]

    def __str__(self) -> str:
        return f"{self.branch_id} {self.day}"


class StaleDays(BranchOwned):
    """Days whose facts are no longer those of the raw rows, written by triggers; only ever added and taken away.

    Whoever builds a day takes away the marks that were there before it read the first row, and no others.
    """

    id = models.BigAutoField(primary_key=True)
    branch = models.ForeignKey(
        "branches.Branch", on_delete=models.CASCADE, related_name="+", db_constraint=False, db_index=False
    )
    first_day = models.DateField()
    last_day = models.DateField(null=True, help_text="Included; empty: all days from the first on")

    class Meta(BranchOwned.Meta):
        indexes = [models.Index(fields=["branch", "first_day"], name="reports_stale_days")]
        verbose_name_plural = "stale days"

    def __str__(self) -> str:
        return f"{self.branch_id} {self.first_day} to {self.last_day}"


class Fact(BranchOwned):
    """Abstract: one group of one day. ``grouping`` is empty for the whole of the day, else what ``label`` names."""

    id = models.BigAutoField(primary_key=True)
    branch = models.ForeignKey("branches.Branch", on_delete=models.CASCADE, related_name="+", db_index=False)
    day = models.DateField()
    grouping = models.CharField(max_length=10, blank=True)
    label = models.CharField(max_length=160, blank=True)
    currency = models.CharField(max_length=3, blank=True)

    class Meta(BranchOwned.Meta):
        abstract = True
        constraints = [
            models.UniqueConstraint(
                fields=["branch", "grouping", "day", "label", "currency"], name="reports_%(class)s_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.branch_id} {self.day} {self.grouping} {self.label} {self.currency}"


class SalesFact(Fact):
    pairs = _count()
    supplied_net = _money()
    given_back = _money()
    cost = _money()
    cost_not_known = _count()


class OfferFact(Fact):
    offers = _count()
    ordered = _count()
    open = _count()
    withdrawn = _count()
    expired = _count()


class OrderFact(Fact):
    orders = _count()
    cancelled = _count()
    value = _money()
    net_value = _money()


class MadeFact(Fact):
    """Of the jobs packed on the day, as ``quality.figures`` counts them."""

    jobs = _count()
    right = _count()
    on_first_promise = _count()
    on_last_promise = _count()
    lenses_made = _count()


class LossFact(Fact):
    remakes = _count()
    remake_cost = _money()
    remakes_without_cost = _count()
    lenses_lost = _count()
    frames_lost = _count()
    lost_with_the_order = _count()
    spoil_cost = _money()
    spoilt_without_cost = _count()


class TimesFact(Fact):
    """How often each time was seen: hundredths of working hours, or calendar days, as text -> pairs."""

    packed_hours = models.JSONField(default=dict)
    packed_days = models.JSONField(default=dict)
    handed_over_hours = models.JSONField(default=dict)
    handed_over_days = models.JSONField(default=dict)
