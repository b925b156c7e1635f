from __future__ import annotations

from django.db import models

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
    turnaround_days = models.PositiveSmallIntegerField(default=3, help_text="Working days promised for stock lenses")
    is_active = models.BooleanField(default=True)

    class Meta:
        ordering = ["code"]
        verbose_name_plural = "branches"

    def __str__(self) -> str:
        return f"{self.code} {self.name}"


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
