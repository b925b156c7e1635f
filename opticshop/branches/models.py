from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned


class Branch(Entity, Versioned):
    """One shop of the group. Its zone decides its days, its jurisdiction the rules that apply."""

    code = models.CharField(max_length=8, unique=True)
    name = models.CharField(max_length=120)
    address = models.TextField(blank=True)
    country = models.CharField(max_length=2, default="GB", help_text="ISO 3166-1 alpha-2")
    jurisdiction = models.CharField(max_length=20, default="GB", help_text="Key of the rule tables that apply")
    time_zone = models.CharField(max_length=60, default="Europe/London")
    currency = models.CharField(max_length=3, default="GBP", help_text="ISO 4217")
    language = models.CharField(max_length=10, default="en")
    phone = models.CharField(max_length=40, blank=True)
    tax_number = models.CharField(max_length=40, blank=True)
    tolerance_standard = models.CharField(max_length=80, default="iso-21987-2017")
    uncut_standard = models.CharField(max_length=80, default="iso-8980-2017")
    message_channel = models.CharField(max_length=80, default="console")
    recall_policy = models.CharField(max_length=80, default="prescription-expiry")
    tax_rule = models.CharField(
        max_length=80, blank=True, default="", db_default="", help_text="Empty: category and rate as in the catalogue"
    )
    prices_include_tax = models.BooleanField(
        default=True, db_default=True, help_text="False: prices are net, and tax is added as they are charged"
    )
    turnaround_days = models.PositiveSmallIntegerField(default=3, help_text="Working days promised for stock lenses")
    special_order_days = models.PositiveSmallIntegerField(
        default=7, db_default=7, help_text="Further working days for lenses that are made to order"
    )
    daily_capacity = models.PositiveSmallIntegerField(
        null=True, help_text="Pairs the workshop finishes in a day; empty where it is not counted"
    )
    subdivision = models.CharField(
        max_length=6, blank=True, default="", db_default="", help_text="ISO 3166-2 part whose public holidays are kept"
    )
    keeps_public_holidays = models.BooleanField(default=True, db_default=True)
    second_check = models.BooleanField(
        default=False, db_default=False, help_text="A passed pair is confirmed by a second person before it goes on"
    )
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ["code"]
        verbose_name_plural = "branches"

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


class OpeningHours(Entity):
    """One weekday on which a branch is open. A branch without any row keeps the ordinary week of ``calendars``."""

    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, related_name="opening_hours")
    weekday = models.PositiveSmallIntegerField(help_text="0 is Monday, 6 is Sunday")
    opens_at = models.TimeField()
    closes_at = models.TimeField()

    class Meta:
        ordering = ["weekday"]
        constraints = [
            models.UniqueConstraint(fields=["branch", "weekday"], name="branches_hours_once_a_weekday"),
            models.CheckConstraint(
                condition=Q(weekday__lte=6) & Q(opens_at__lt=F("closes_at")), name="branches_hours_make_a_day"
            ),
        ]
        verbose_name_plural = "opening hours"

    def __str__(self) -> str:
        return f"{self.weekday}: {self.opens_at:%H:%M} to {self.closes_at:%H:%M}"


class Closure(Entity):
    """Days on which a branch is closed for its own reasons, first and last day included."""

    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, related_name="closures")
    first_on = models.DateField()
    last_on = models.DateField()
    reason = models.CharField(max_length=120)

    class Meta:
        ordering = ["first_on", "id"]
        constraints = [
            models.CheckConstraint(condition=Q(first_on__lte=F("last_on")), name="branches_closure_has_days"),
            models.CheckConstraint(condition=~Q(reason=""), name="branches_closure_explained"),
        ]

    def __str__(self) -> str:
        return f"{self.first_on} to {self.last_on}: {self.reason}"


class NumberSeries(Entity):
    """The last number given out for one kind of document at one branch in one year; gapless by row lock."""

    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=20)
    year = models.PositiveSmallIntegerField()
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["branch", "kind", "year"], name="branches_one_series_per_kind_and_year")
        ]
        verbose_name_plural = "number series"

    def __str__(self) -> str:
        return f"{self.kind} {self.year}: {self.last}"
