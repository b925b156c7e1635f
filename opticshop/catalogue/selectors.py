"""Reads of the catalogue. It is the same in every branch: whoever may see it anywhere sees all of it."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal

from django.db.models import Q, QuerySet

from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, NotFound

from .models import Frame, LensProduct, LensSurface, ServiceItem, TaxCategory, TaxRate
from .permissions import CataloguePermission


class SurfaceMissing(Invalid):
    """The product is not made in this sphere."""

    code = "catalogue.surface_missing"
    title = "The lens is not made in this power"


class TaxRateMissing(Conflict):
    """No rate of the category is known for the jurisdiction on that day; head office adds it."""

    code = "catalogue.tax_rate_missing"
    title = "The tax rate is not known"


def frames_visible_to(actor: Actor) -> QuerySet[Frame]:
    return Frame.objects.all() if actor.may(CataloguePermission.VIEW) else Frame.objects.none()


def lenses_visible_to(actor: Actor) -> QuerySet[LensProduct]:
    lenses = LensProduct.objects.prefetch_related("surfaces")
    return lenses if actor.may(CataloguePermission.VIEW) else lenses.none()


def services_visible_to(actor: Actor) -> QuerySet[ServiceItem]:
    return ServiceItem.objects.all() if actor.may(CataloguePermission.VIEW) else ServiceItem.objects.none()


def tax_rates_visible_to(actor: Actor) -> QuerySet[TaxRate]:
    return TaxRate.objects.all() if actor.may(CataloguePermission.VIEW) else TaxRate.objects.none()


def articles_named(queryset: QuerySet, text: str) -> QuerySet:
    """Articles whose code or name begins with the text, in any case."""
    return queryset.filter(Q(sku__istartswith=text) | Q(name__istartswith=text))


def frame_get(frame_id: uuid.UUID) -> Frame:
    """Raises NotFound."""
    found = Frame.objects.filter(id=frame_id).first()
    if found is None:
        raise NotFound(f"There is no frame {frame_id} here.", field="frame")
    return found


def lens_get(lens_id: uuid.UUID) -> LensProduct:
    """The lens product with its surfaces. Raises NotFound."""
    found = LensProduct.objects.prefetch_related("surfaces").filter(id=lens_id).first()
    if found is None:
        raise NotFound(f"There is no lens {lens_id} here.", field="lens")
    return found


def surface_for(product: LensProduct, sphere_dpt: Decimal) -> LensSurface:
    """The surface that a sphere (minus-cylinder form) is made with. Raises SurfaceMissing outside the range.

    A sphere between two steps is made with the surface of the step below it.
    """
    below = [surface for surface in product.surfaces.all() if surface.sphere_from_dpt <= sphere_dpt]
    if not below or sphere_dpt > product.sphere_max_dpt:
        raise SurfaceMissing(
            f"{product} is not made in a sphere of {sphere_dpt:+} D.",
            field="sphere_dpt",
            allowed=f"{product.sphere_min_dpt} to {product.sphere_max_dpt} D (minus-cylinder form)",
        )
    return max(below, key=lambda surface: surface.sphere_from_dpt)


def dispensing_service() -> ServiceItem | None:
    """The active service that is charged once on every pair, if the group has one."""
    return ServiceItem.objects.filter(is_dispensing=True, is_active=True).first()


def tax_rate_on(jurisdiction: str, category: str, day: dt.date) -> TaxRate:
    """The rate of a category that holds on a day. Raises TaxRateMissing.

    Zero-rated and exempt supplies need no row: without one, an unsaved rate of 0 percent is returned.
    """
    known = TaxRate.objects.filter(jurisdiction=jurisdiction, category=category, valid_from__lte=day)
    found = known.order_by("-valid_from").first()
    if found is not None:
        return found
    if category in {TaxCategory.ZERO, TaxCategory.EXEMPT}:
        return TaxRate(
            jurisdiction=jurisdiction,
            category=category,
            percent=Decimal(0),
            valid_from=day,
            source="by definition of the category",
            confidence="high",
        )
    raise TaxRateMissing(
        f"No {category} rate of {jurisdiction} is known for {day}.", field="tax_category", jurisdiction=jurisdiction
    )
