"""Dated price lists and what they say of an article. Prices include tax."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity


class PriceList(Entity):
    """The prices of one branch, or of the group, from a day on. Once it is in force its prices do not change.

    Lists of the same scope (branch and currency) do not overlap: the service sees to it under a lock, PostgreSQL by an
    exclusion constraint.
    """

    branch = models.ForeignKey(
        "branches.Branch", on_delete=models.PROTECT, null=True, related_name="+", help_text="Empty for the group"
    )
    name = models.CharField(max_length=80)
    currency = models.CharField(max_length=3)
    valid_from = models.DateField(help_text="First day")
    valid_to = models.DateField(null=True, help_text="Last day; empty while it is open")
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="prices_list_named"),
            models.CheckConstraint(
                condition=Q(valid_to__isnull=True) | Q(valid_to__gte=F("valid_from")), name="prices_list_has_days"
            ),
            models.UniqueConstraint(fields=["branch", "currency", "valid_from"], name="prices_list_begins_once"),
            models.UniqueConstraint(
                fields=["currency", "valid_from"], condition=Q(branch__isnull=True), name="prices_group_begins_once"
            ),
            models.UniqueConstraint(
                fields=["branch", "currency"], condition=Q(valid_to__isnull=True), name="prices_list_open_once"
            ),
            models.UniqueConstraint(
                fields=["currency"],
                condition=Q(branch__isnull=True, valid_to__isnull=True),
                name="prices_group_open_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} from {self.valid_from}"


class ListPrice(Entity):
    """What one article costs by a list: a frame, a lens, or a service (treatments and the dispensing fee are such)."""

    price_list = models.ForeignKey(PriceList, on_delete=models.CASCADE, related_name="rows")
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, null=True, related_name="+")
    lens = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, null=True, related_name="+")
    service = models.ForeignKey("catalogue.ServiceItem", on_delete=models.PROTECT, null=True, related_name="+")
    price = models.DecimalField(max_digits=10, decimal_places=2)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(frame__isnull=False, lens__isnull=True, service__isnull=True)
                | Q(frame__isnull=True, lens__isnull=False, service__isnull=True)
                | Q(frame__isnull=True, lens__isnull=True, service__isnull=False),
                name="prices_row_one_article",
            ),
            models.CheckConstraint(condition=Q(price__gte=0), name="prices_row_not_negative"),
            models.UniqueConstraint(fields=["price_list", "frame"], name="prices_row_frame_once"),
            models.UniqueConstraint(fields=["price_list", "lens"], name="prices_row_lens_once"),
            models.UniqueConstraint(fields=["price_list", "service"], name="prices_row_service_once"),
        ]

    def __str__(self) -> str:
        return f"{self.frame or self.lens or self.service} {self.price}"
