from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity, Versioned


def power_field(**kwargs: object) -> models.DecimalField:
    return models.DecimalField(max_digits=5, decimal_places=2, **kwargs)  # type: ignore[arg-type]


def length_field(**kwargs: object) -> models.DecimalField:
    return models.DecimalField(max_digits=6, decimal_places=2, **kwargs)  # type: ignore[arg-type]


class TaxCategory(models.TextChoices):
    """How a supply is taxed; the rate of a category is dated data (TaxRate)."""

    STANDARD = "standard"
    REDUCED = "reduced"
    ZERO = "zero"
    EXEMPT = "exempt"


class Sellable(Entity, Versioned):
    """Abstract: what every article in the catalogue has."""

    sku = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    price = models.DecimalField(max_digits=10, decimal_places=2)
    currency = models.CharField(max_length=3, default="GBP")
    tax_category = models.CharField(max_length=10, choices=TaxCategory.choices, default=TaxCategory.STANDARD)
    is_active = models.BooleanField(default=True)

    objects: ClassVar[models.Manager[Any]] = models.Manager()

    class Meta:
        abstract = True

    def __str__(self) -> str:
        return f"{self.sku} {self.name}"


class Frame(Sellable):
    """A frame model in one colour and size, measured by the boxing system (ISO 8624)."""

    class Material(models.TextChoices):
        ACETATE = "acetate"
        PROPIONATE = "propionate"
        POLYAMIDE = "polyamide"
        CARBON = "carbon"
        METAL = "metal"
        TITANIUM = "titanium"
        MEMORY_METAL = "memory_metal"
        HORN = "horn"
        OTHER = "other"

    class Mount(models.TextChoices):
        FULL_RIM = "full_rim"
        HALF_RIM = "half_rim"
        RIMLESS = "rimless"

    maker = models.CharField(max_length=80, blank=True)
    colour = models.CharField(max_length=60, blank=True)
    material = models.CharField(max_length=20, choices=Material.choices)
    mount = models.CharField(max_length=20, choices=Mount.choices, default=Mount.FULL_RIM)
    box_width_mm = length_field(help_text="A")
    box_height_mm = length_field(help_text="B")
    bridge_mm = length_field(help_text="DBL, distance between the boxes")
    effective_diameter_mm = length_field(help_text="ED, twice the farthest distance from the boxed centre")
    side_length_mm = length_field(null=True, blank=True)
    gtin = models.CharField(max_length=14, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(price__gte=0), name="catalogue_frame_price"),
            models.CheckConstraint(
                condition=Q(box_width_mm__gt=0) & Q(box_height_mm__gt=0) & Q(bridge_mm__gt=0),
                name="catalogue_frame_box_positive",
            ),
            models.CheckConstraint(
                condition=Q(effective_diameter_mm__gte=F("box_width_mm"))
                & Q(effective_diameter_mm__gte=F("box_height_mm")),
                name="catalogue_frame_ed_spans_box",
            ),
            models.UniqueConstraint(fields=["gtin"], condition=~Q(gtin=""), name="catalogue_frame_gtin_once"),
        ]


class LensProduct(Sellable):
    """A lens as it is sold: material, diameter, range of powers and the surfaces it is made with."""

    class Kind(models.TextChoices):
        SINGLE_VISION = "single_vision"
        MULTIFOCAL = "multifocal"
        POWER_VARIATION = "power_variation"

    class Supply(models.TextChoices):
        FINISHED = "finished", "Finished stock lens"
        MADE_TO_ORDER = "made_to_order", "Made to order by a supplier"

    kind = models.CharField(max_length=20, choices=Kind.choices)
    supply = models.CharField(max_length=20, choices=Supply.choices)
    material = models.CharField(max_length=60)
    index = models.DecimalField(max_digits=4, decimal_places=3)
    abbe = models.DecimalField(max_digits=4, decimal_places=1)
    density_g_cm3 = models.DecimalField(max_digits=4, decimal_places=2)
    coating = models.CharField(max_length=60, blank=True)
    transmittance_percent = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    impact_resistant = models.BooleanField(default=False)
    diameter_mm = length_field()
    usable_diameter_mm = length_field()
    sphere_min_dpt = power_field()
    sphere_max_dpt = power_field()
    cylinder_max_dpt = power_field(help_text="Largest cylinder, minus form, as a positive number")
    addition_min_dpt = power_field(null=True, blank=True)
    addition_max_dpt = power_field(null=True, blank=True)
    power_step_dpt = power_field(default=Decimal("0.25"))
    minimum_fitting_height_mm = length_field(null=True, blank=True)
    gtin = models.CharField(max_length=14, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(price__gte=0), name="catalogue_lens_price"),
            models.CheckConstraint(condition=Q(index__gte=1.4) & Q(index__lte=2), name="catalogue_lens_index"),
            models.CheckConstraint(condition=Q(abbe__gt=0) & Q(density_g_cm3__gt=0), name="catalogue_lens_material"),
            models.CheckConstraint(
                condition=Q(usable_diameter_mm__gt=0) & Q(usable_diameter_mm__lte=F("diameter_mm")),
                name="catalogue_lens_usable_within_blank",
            ),
            models.CheckConstraint(
                condition=Q(sphere_min_dpt__lte=F("sphere_max_dpt")) & Q(cylinder_max_dpt__gte=0),
                name="catalogue_lens_range",
            ),
            models.CheckConstraint(condition=Q(power_step_dpt__gt=0), name="catalogue_lens_step"),
            models.UniqueConstraint(fields=["gtin"], condition=~Q(gtin=""), name="catalogue_lens_gtin_once"),
        ]


class LensSurface(Entity):
    """The front surface and thickness a product is made with over a range of sphere powers (minus-cylinder form)."""

    product = models.ForeignKey(LensProduct, on_delete=models.CASCADE, related_name="surfaces")
    sphere_from_dpt = power_field()
    sphere_to_dpt = power_field()
    front_power_dpt = power_field(help_text="Front surface power at the material's own index")
    centre_thickness_mm = length_field(help_text="Least centre thickness; a plus lens may need more")
    edge_thickness_mm = length_field(default=Decimal("1.00"), help_text="Least edge thickness of a plus lens")

    class Meta:
        ordering = ["sphere_from_dpt"]
        constraints = [
            models.CheckConstraint(
                condition=Q(sphere_from_dpt__lte=F("sphere_to_dpt")), name="catalogue_surface_range"
            ),
            models.CheckConstraint(
                condition=Q(centre_thickness_mm__gt=0) & Q(edge_thickness_mm__gte=0),
                name="catalogue_surface_thickness",
            ),
            models.UniqueConstraint(fields=["product", "sphere_from_dpt"], name="catalogue_surface_once"),
        ]

    def __str__(self) -> str:
        return f"{self.product} {self.sphere_from_dpt}..{self.sphere_to_dpt}"


class ServiceItem(Sellable):
    """Something done for money: dispensing, a repair, a reglaze."""

    is_dispensing = models.BooleanField(default=False, help_text="Charged once on every order of spectacles")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(price__gte=0), name="catalogue_service_price"),
            models.UniqueConstraint(
                fields=["is_dispensing"],
                condition=Q(is_dispensing=True, is_active=True),
                name="catalogue_one_dispensing_service",
            ),
        ]


class TaxRate(Entity):
    """The rate of a tax category in a jurisdiction from a day on: dated data with its source, never code."""

    jurisdiction = models.CharField(max_length=20)
    category = models.CharField(max_length=10, choices=TaxCategory.choices)
    percent = models.DecimalField(max_digits=5, decimal_places=2)
    valid_from = models.DateField()
    source = models.CharField(max_length=200)
    confidence = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["jurisdiction", "category", "valid_from"], name="catalogue_tax_rate_once"),
            models.CheckConstraint(condition=Q(percent__gte=0) & Q(percent__lt=100), name="catalogue_tax_rate_range"),
            models.CheckConstraint(
                condition=~Q(category__in=["zero", "exempt"]) | Q(percent=0),
                name="catalogue_tax_free_is_zero",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.jurisdiction} {self.category} {self.percent}% from {self.valid_from}"
