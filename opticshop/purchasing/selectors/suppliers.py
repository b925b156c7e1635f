"""Reads of suppliers, offers and prices. They are the same in every branch: whoever may see them sees them all."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from django.db.models import Prefetch, Q, QuerySet

from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import NotFound

from ..models import BranchTravel, Offer, PriceList, Supplier, SupplierPrice
from ..permissions import PurchasingPermission

VIEW = PurchasingPermission.VIEW
#: Working days between branches for which no other number is kept.
USUAL_TRAVEL_DAYS = 2


def suppliers_visible_to(actor: Actor) -> QuerySet[Supplier]:
    return Supplier.objects.all() if actor.may(VIEW) else Supplier.objects.none()


def supplier_get_for(actor: Actor, supplier_id: uuid.UUID) -> Supplier:
    """Raises NotFound."""
    found = suppliers_visible_to(actor).filter(id=supplier_id).first()
    if found is None:
        raise NotFound(f"There is no supplier {supplier_id} here.", field="supplier")
    return found


def offers_visible_to(actor: Actor) -> QuerySet[Offer]:
    offers = Offer.objects.select_related("supplier", "frame", "lens")
    return offers if actor.may(VIEW) else offers.none()


def offer_get_for(actor: Actor, offer_id: uuid.UUID) -> Offer:
    """Raises NotFound."""
    found = offers_visible_to(actor).filter(id=offer_id).first()
    if found is None:
        raise NotFound(f"There is no supplier offer {offer_id} here.", field="offer")
    return found


def prices_visible_to(actor: Actor) -> QuerySet[SupplierPrice]:
    prices = SupplierPrice.objects.select_related("offer__supplier", "offer__frame", "offer__lens")
    return prices if actor.may(VIEW) else prices.none()


def price_lists_visible_to(actor: Actor) -> QuerySet[PriceList]:
    lists = PriceList.objects.select_related("supplier")
    return lists if actor.may(VIEW) else lists.none()


def travel_visible_to(actor: Actor) -> QuerySet[BranchTravel]:
    travel = BranchTravel.objects.select_related("origin", "destination")
    return travel if actor.may(VIEW) else travel.none()


def travel_days_to(branch_id: uuid.UUID) -> dict[uuid.UUID, int]:
    """Origin -> working days to this branch, where a number is kept; otherwise USUAL_TRAVEL_DAYS holds."""
    return dict(BranchTravel.objects.filter(destination_id=branch_id).values_list("origin_id", "days"))


@dataclass(frozen=True, slots=True)
class Source:
    """A supplier from whom an article can be had today."""

    offer: Offer
    price: SupplierPrice | None
    lead_days: int
    prices: Sequence[SupplierPrice] = ()

    @property
    def supplier(self) -> Supplier:
        return self.offer.supplier

    def for_power(self, power: tuple[Decimal, Decimal] | None) -> Source:
        """The same source with the price that holds for another power of the lens."""
        return replace(self, price=price_of(self.prices, power))


def price_of(prices: Iterable[SupplierPrice], power: tuple[Decimal, Decimal] | None) -> SupplierPrice | None:
    """The price that holds for a power (minus-cylinder form; None for a frame), among prices already valid.

    A price for a range of powers goes before one for all powers, a narrower range before a wider one, and then the
    newest.
    """
    holding = [price for price in prices if _covers(price, power)]
    return min(holding, key=lambda p: (_width(p), -p.valid_from.toordinal(), p.id.int), default=None)


def sources_by_article(
    articles: Iterable[Frame | LensProduct],
    *,
    day: dt.date,
    powers: Mapping[uuid.UUID, tuple[Decimal, Decimal]] | None = None,
    suppliers: Iterable[Supplier] | None = None,
) -> dict[uuid.UUID, list[Source]]:
    """Article id -> where it can be had, best first: the preferred supplier, then the lowest cost, then the soonest.

    ``powers`` names the power wanted of a lens; costs in other currencies are compared as bare numbers only where the
    rest is equal. Two queries, however many articles.
    """
    ids = [article.id for article in articles]
    offers = Offer.objects.filter(Q(frame__in=ids) | Q(lens__in=ids), is_active=True, supplier__is_active=True)
    if suppliers is not None:
        offers = offers.filter(supplier__in=list(suppliers))
    valid = SupplierPrice.objects.filter(valid_from__lte=day)
    found: dict[uuid.UUID, list[Source]] = {article_id: [] for article_id in ids}
    for offer in offers.select_related("supplier").prefetch_related(Prefetch("prices", valid, to_attr="valid_prices")):
        key = offer.frame_id or offer.lens_id
        assert key is not None
        price = price_of(offer.valid_prices, (powers or {}).get(key))
        lead = offer.lead_time_days
        days = offer.supplier.lead_time_days if lead is None else lead
        found[key].append(Source(offer, price, days, offer.valid_prices))
    for sources in found.values():
        sources.sort(key=_rank)
    return found


def lead_times(lenses: Iterable[LensProduct], day: dt.date) -> dict[uuid.UUID, int]:
    """Lens product id -> lead time of the source it would be ordered from; those without a source are left out."""
    found = sources_by_article(lenses, day=day)
    return {lens_id: sources[0].lead_days for lens_id, sources in found.items() if sources}


def sources_for(
    article: Frame | LensProduct, *, day: dt.date, power: tuple[Decimal, Decimal] | None = None
) -> list[Source]:
    """Where one article can be had, best first."""
    powers = {article.id: power} if power is not None else {}
    return sources_by_article([article], day=day, powers=powers)[article.id]


def _rank(source: Source) -> tuple[bool, bool, Decimal, int, str]:
    price = source.price
    return (
        not source.offer.is_preferred,
        price is None,
        price.unit_cost if price else Decimal(0),
        source.lead_days,
        source.supplier.name,
    )


def _covers(price: SupplierPrice, power: tuple[Decimal, Decimal] | None) -> bool:
    if not price.power_range:
        return True
    if power is None:
        return False
    sphere, cylinder = power
    return _within(sphere, price.sphere_from_dpt, price.sphere_to_dpt) and _within(
        cylinder, price.cylinder_from_dpt, price.cylinder_to_dpt
    )


def _within(value: Decimal, low: Decimal | None, high: Decimal | None) -> bool:
    return (low is None or low <= value) and (high is None or value <= high)


def _width(price: SupplierPrice) -> tuple[Decimal, Decimal]:
    """How wide a range is in sphere and cylinder; a missing end counts as very wide."""
    wide = Decimal(1000)
    sphere = wide if price.sphere_from_dpt is None else (price.sphere_to_dpt or 0) - price.sphere_from_dpt
    cylinder = wide if price.cylinder_from_dpt is None else (price.cylinder_to_dpt or 0) - price.cylinder_from_dpt
    return sphere, cylinder
