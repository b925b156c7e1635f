"""From whom a power is bought, at what cost, in which packs and how long it takes. Two queries for all lenses."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from opticshop.catalogue.models import LensProduct
from opticshop.purchasing.models import Supplier
from opticshop.purchasing.selectors.suppliers import Source, sources_by_article

from ..parameters import calendar_days

Power = tuple[Decimal, Decimal]


@dataclass(frozen=True, slots=True)
class Supply:
    """``unit_cost`` is None where the supplier has no price today in the currency asked for: it cannot be bought."""

    supplier: Supplier
    unit_cost: Decimal | None
    pack: int
    lead_days: int


class Supplies:
    """The suppliers of some lenses on a day, asked per power."""

    def __init__(self, lenses: Iterable[LensProduct], *, day: dt.date, currency: str) -> None:
        self._sources = sources_by_article(list(lenses), day=day)
        self._currency = currency
        self._known: dict[tuple[uuid.UUID, Power], Supply | None] = {}

    def of(self, lens_id: uuid.UUID, power: Power) -> Supply | None:
        """The preferred supplier with a price, else the cheapest, else the soonest; None when nobody offers it."""
        key = lens_id, power
        if key not in self._known:
            offers = [self._supply(source.for_power(power)) for source in self._sources.get(lens_id, [])]
            self._known[key] = min(offers, key=_rank)[1] if offers else None
        return self._known[key]

    def _supply(self, source: Source) -> tuple[bool, Supply]:
        price = source.price if source.price and source.price.currency == self._currency else None
        return source.offer.is_preferred, Supply(
            source.supplier,
            price.unit_cost if price else None,
            price.pack_size if price else 1,
            calendar_days(source.lead_days),
        )


def _rank(offer: tuple[bool, Supply]) -> tuple[bool, bool, Decimal, int, str]:
    preferred, supply = offer
    return (
        supply.unit_cost is None,
        not preferred,
        supply.unit_cost or Decimal(0),
        supply.lead_days,
        supply.supplier.name,
    )
