from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned


class Supplier(Entity, Versioned):
    """Somebody the group buys from. The same for every branch; kept by head office."""

    name = models.CharField(max_length=120, unique=True)
    contact_name = models.CharField(max_length=120, blank=True)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    account_number = models.CharField(max_length=40, blank=True, help_text="Ours with the supplier")
    lead_time_days = models.PositiveSmallIntegerField(default=5, help_text="Working days, where no article says more")
    currency = models.CharField(max_length=3, default="GBP", help_text="ISO 4217")
    minimum_order = models.DecimalField(max_digits=10, decimal_places=2, default=0)
    is_active = models.BooleanField(default=True)
    note = models.TextField(blank=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(minimum_order__gte=0), name="purchasing_supplier_minimum")]

    def __str__(self) -> str:
        return self.name


class Offer(Entity, Versioned):
    """A supplier sells an article: one frame, or one lens product in its powers."""

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="offers")
    frame = models.ForeignKey("catalogue.Frame", on_delete=models.PROTECT, null=True, related_name="+")
    lens = models.ForeignKey("catalogue.LensProduct", on_delete=models.PROTECT, null=True, related_name="+")
    is_preferred = models.BooleanField(default=False, help_text="Bought here unless somebody decides otherwise")
    lead_time_days = models.PositiveSmallIntegerField(
        null=True, help_text="Working days for this article; the supplier's own when empty"
    )
    is_active = models.BooleanField(default=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=(Q(frame__isnull=False) & Q(lens__isnull=True))
                | (Q(frame__isnull=True) & Q(lens__isnull=False)),
                name="purchasing_offer_is_one_article",
            ),
            models.UniqueConstraint(
                fields=["supplier", "frame"], condition=Q(frame__isnull=False), name="purchasing_offer_frame_once"
            ),
            models.UniqueConstraint(
                fields=["supplier", "lens"], condition=Q(lens__isnull=False), name="purchasing_offer_lens_once"
            ),
            models.UniqueConstraint(
                fields=["frame"],
                condition=Q(is_preferred=True, frame__isnull=False),
                name="purchasing_one_preferred_per_frame",
            ),
            models.UniqueConstraint(
                fields=["lens"],
                condition=Q(is_preferred=True, lens__isnull=False),
                name="purchasing_one_preferred_per_lens",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.frame_id or self.lens_id} from {self.supplier_id}"


class PriceList(Entity):
    """One price file that was taken in, known by the digest of its bytes and of how its columns were read."""

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="price_lists")
    file_name = models.CharField(max_length=120, blank=True)
    digest = models.CharField(max_length=64, help_text="SHA-256 of the bytes and of the reading options")
    columns = models.JSONField(default=dict, help_text="Our field -> heading in the file")
    rows = models.PositiveIntegerField()
    added = models.PositiveIntegerField()
    changed = models.PositiveIntegerField()
    unchanged = models.PositiveIntegerField()
    imported_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["supplier", "digest"], name="purchasing_price_list_once"),
        ]

    def __str__(self) -> str:
        return f"{self.file_name} ({self.rows} rows)"


class SupplierPrice(Entity):
    """What an article costs from a day on, for all its powers or for a range of them (minus-cylinder form).

    A range of one power with a GTIN names one packet exactly. ``power_range`` repeats the four bounds as text, so that
    the database can hold them unique with gaps in them.
    """

    offer = models.ForeignKey(Offer, on_delete=models.PROTECT, related_name="prices")
    supplier_code = models.CharField(max_length=60, blank=True)
    gtin = models.CharField(max_length=14, blank=True, help_text="On the packet, fourteen digits")
    unit_cost = models.DecimalField(max_digits=10, decimal_places=2, help_text="For one piece")
    currency = models.CharField(max_length=3)
    valid_from = models.DateField()
    pack_size = models.PositiveSmallIntegerField(default=1, help_text="Pieces in one packet")
    sphere_from_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    sphere_to_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    cylinder_from_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    cylinder_to_dpt = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    power_range = models.CharField(max_length=40, blank=True, editable=False)
    price_list = models.ForeignKey(PriceList, on_delete=models.PROTECT, null=True, related_name="prices")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["offer", "power_range", "valid_from"], name="purchasing_price_once_per_day"
            ),
            models.CheckConstraint(condition=Q(unit_cost__gte=0), name="purchasing_price_not_negative"),
            models.CheckConstraint(condition=Q(pack_size__gte=1), name="purchasing_price_pack"),
            models.CheckConstraint(
                condition=Q(sphere_from_dpt__isnull=True) | Q(sphere_from_dpt__lte=F("sphere_to_dpt")),
                name="purchasing_price_sphere_range",
            ),
            models.CheckConstraint(
                condition=Q(cylinder_from_dpt__isnull=True)
                | (Q(cylinder_from_dpt__lte=F("cylinder_to_dpt")) & Q(cylinder_to_dpt__lte=0)),
                name="purchasing_price_cylinder_range",
            ),
        ]
        indexes = [
            models.Index(fields=["gtin"], name="purchasing_price_gtin", condition=~Q(gtin="")),
            models.Index(fields=["offer", "-valid_from"], name="purchasing_price_newest"),
        ]

    def __str__(self) -> str:
        return f"{self.unit_cost} {self.currency} from {self.valid_from}"


class BranchTravel(Entity):
    """Working days a thing travels from one branch to another."""

    origin = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    destination = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, related_name="+")
    days = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["origin", "destination"], name="purchasing_travel_once"),
            models.CheckConstraint(condition=~Q(origin=F("destination")), name="purchasing_travel_leads_away"),
        ]

    def __str__(self) -> str:
        return f"{self.origin_id} -> {self.destination_id}: {self.days}"
