"""The price lines that orders and quotations keep."""

from __future__ import annotations

from django.db import models
from django.db.models import Value

from opticshop.core.models import Entity


class FrozenLine(Entity):
    """Abstract: one line of a price as it was when it was fixed, with the reasons for it. Gross includes tax.

    ``reasons`` is what was said then: first where the unit price comes from (a price list or the catalogue), then each
    discount with the plugin or promotion that gave it, its words and its amount on this line. Every line has one tax
    category; a line of kind ``share`` states a part of the price of the line before it under another (see ``taxing``).
    """

    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=10, help_text="frame, lens, treatment, service or adjustment")
    eye = models.CharField(max_length=5, blank=True)
    sku = models.CharField(max_length=40)
    description = models.CharField(max_length=200)
    quantity = models.PositiveSmallIntegerField(default=1)
    unit_price = models.DecimalField(max_digits=10, decimal_places=2)
    discount = models.DecimalField(max_digits=10, decimal_places=2, default=0)
    discount_reason = models.CharField(max_length=200, blank=True)
    gross = models.DecimalField(max_digits=10, decimal_places=2)
    tax_category = models.CharField(max_length=10)
    tax_rate_percent = models.DecimalField(max_digits=5, decimal_places=2)
    tax = models.DecimalField(max_digits=10, decimal_places=2)
    lens = models.ForeignKey(
        "catalogue.LensProduct", on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    service = models.ForeignKey(
        "catalogue.ServiceItem", on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    price_list = models.ForeignKey(
        "prices.PriceList", on_delete=models.PROTECT, null=True, related_name="+", db_index=False
    )
    reasons = models.JSONField(default=list, db_default=Value([], models.JSONField()))

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.description} {self.gross}"
