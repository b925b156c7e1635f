"""Writes of suppliers: who sells what at which price from which day, and how long things travel between branches."""

from __future__ import annotations

from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows

from .. import events
from ..models import BranchTravel, Offer, Supplier, SupplierPrice
from ..priced import PriceValues, check_price
from . import rows


class SupplierNameTaken(Conflict):
    """Two suppliers cannot be told apart by the same name."""

    code = "purchasing.supplier_name_taken"
    title = "Another supplier has this name"


class OfferTaken(Conflict):
    """A supplier offers an article once; change that offer."""

    code = "purchasing.offer_taken"
    title = "The supplier already offers this article"


class PriceTaken(Conflict):
    """A price for these powers begins on the same day already; give another day."""

    code = "purchasing.price_taken"
    title = "There is already a price from this day"


class TravelToItself(Invalid):
    """A thing does not travel from a branch to the same branch."""

    code = "purchasing.travel_to_itself"
    title = "These are the same branch"


def supplier_add(*, actor: Actor, name: str, **details: Any) -> Supplier:
    """Add a supplier; ``details`` are columns of Supplier."""
    rows.require_group(actor)
    supplier = Supplier(name=name, **details)
    with transaction.atomic():
        _insert(supplier, SupplierNameTaken(f"There is already a supplier called {name}.", field="name"))
        rows.record(events.SUPPLIER_ADDED, f"suppliers/{supplier.id}", actor, None, supplier=supplier.id)
    return supplier


def supplier_change(*, actor: Actor, supplier: Supplier, version: int, changes: dict[str, Any]) -> Supplier:
    rows.require_group(actor)
    with transaction.atomic():
        held = rows.locked(supplier, version=version)
        try:
            with transaction.atomic():
                rows.write(held, **changes)
        except IntegrityError as error:
            raise SupplierNameTaken(
                f"There is already a supplier called {changes.get('name')}.", field="name"
            ) from error
        rows.record(
            events.SUPPLIER_CHANGED,
            f"suppliers/{held.id}",
            actor,
            None,
            supplier=held.id,
            fields=sorted(changes),
        )
    return held


def offer_add(
    *,
    actor: Actor,
    supplier: Supplier,
    article: Frame | LensProduct,
    is_preferred: bool = False,
    lead_time_days: int | None = None,
) -> Offer:
    """Say that a supplier sells an article. The preferred offer takes the place of the one preferred before."""
    rows.require_group(actor)
    with transaction.atomic():
        offer = offer_insert(supplier, article, lead_time_days=lead_time_days)
        if is_preferred:
            lock_rows(_same_article(offer))
            _prefer(offer)
        rows.record(events.OFFER_ADDED, f"supplier-offers/{offer.id}", actor, None, **_of(offer))
    return offer


def offer_change(*, actor: Actor, offer: Offer, version: int, changes: dict[str, Any]) -> Offer:
    """Change ``is_preferred``, ``lead_time_days`` or ``is_active``; a retired offer is never the preferred one."""
    rows.require_group(actor)
    with transaction.atomic():
        lock_rows(_same_article(offer))  # all in one order, before the one that is changed
        held = rows.locked(offer, version=version)
        values = dict(changes)
        if values.get("is_active") is False:
            values["is_preferred"] = False
        wanted = values.pop("is_preferred", None)
        if wanted:
            _prefer(held)
        elif wanted is False:
            values["is_preferred"] = False
        rows.write(held, **values)
        rows.record(
            events.OFFER_CHANGED, f"supplier-offers/{held.id}", actor, None, **_of(held), fields=sorted(changes)
        )
    return held


def price_add(*, actor: Actor, offer: Offer, **values: Any) -> SupplierPrice:
    """Add a price from a day on; ``values`` are the fields of PriceValues. Prices are never changed by hand.

    Raises what ``check_price`` refuses, and PriceTaken.
    """
    rows.require_group(actor)
    price = check_price(PriceValues(**values), offer.frame or offer.lens).row(offer)
    with transaction.atomic():
        _insert(
            price, PriceTaken(f"A price for these powers already begins on {price.valid_from}.", field="valid_from")
        )
        rows.record(
            events.PRICE_ADDED,
            f"supplier-prices/{price.id}",
            actor,
            None,
            price=price.id,
            supplier=offer.supplier_id,
            article=offer.frame_id or offer.lens_id,
        )
    return price


def travel_set(*, actor: Actor, origin: Branch, destination: Branch, days: int) -> BranchTravel:
    """Say how many working days a thing travels from one branch to another."""
    rows.require_group(actor)
    if origin.id == destination.id:
        raise TravelToItself(field="destination", allowed="another branch")
    with transaction.atomic():
        travel, _ = BranchTravel.objects.update_or_create(
            origin=origin, destination=destination, defaults={"days": days}
        )
        rows.record(
            events.TRAVEL_SET,
            f"branch-travel/{travel.id}",
            actor,
            None,
            origin=origin.id,
            destination=destination.id,
            days=days,
        )
    return travel


def offer_insert(supplier: Supplier, article: Frame | LensProduct, **values: Any) -> Offer:
    """The row of an offer, for the use case of the caller. Raises OfferTaken."""
    frame = article if isinstance(article, Frame) else None
    lens = article if isinstance(article, LensProduct) else None
    offer = Offer(supplier=supplier, frame=frame, lens=lens, **values)
    _insert(offer, OfferTaken(f"{supplier} already offers {article}.", field="frame" if frame else "lens"))
    return offer


def _same_article(offer: Offer) -> QuerySet[Offer]:
    return Offer.objects.filter(frame=offer.frame) if offer.frame_id else Offer.objects.filter(lens=offer.lens)


def _prefer(offer: Offer) -> None:
    """Make an offer the preferred one of its article; the rows of the article are held by the caller."""
    _same_article(offer).filter(is_preferred=True).exclude(id=offer.id).update(is_preferred=False)
    offer.is_preferred = True
    offer.save(update_fields=["is_preferred"])


def _of(offer: Offer) -> dict[str, Any]:
    return {"offer": offer.id, "supplier": offer.supplier_id, "article": offer.frame_id or offer.lens_id}


def _insert(row: Any, taken: Conflict) -> None:
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        raise taken from error
