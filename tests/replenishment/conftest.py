"""A lens product with powers that were used over the weeks before the held Monday, and a supplier who sells it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.purchasing.models import Offer, Supplier, SupplierPrice
from opticshop.stock import ledger, services
from opticshop.stock.models import Lot, Movement, StockItem
from tests.factories import LensProductFactory

MONDAY = dt.date(2026, 3, 2)  # the held day
TEST = system("test")


@pytest.fixture
def lens(db: Any) -> LensProduct:
    """Finished, sphere -6 to +4, cylinder to -2, steps of 0.25: 41 x 9 = 369 powers."""
    return LensProductFactory(sku="LE-STOCK", name="Clear 1.5 finished (invented)")


@pytest.fixture
def power(lens: LensProduct) -> Callable[..., StockItem]:
    def item(sphere: str = "-2.00", cylinder: str = "-0.50", product: LensProduct | None = None) -> StockItem:
        return services.lens_item_ensure(product or lens, Decimal(sphere), Decimal(cylinder))

    return item


def noon(day: dt.date) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(12), tzinfo=dt.UTC)


@pytest.fixture
def used() -> Callable[..., Lot]:
    """``used(branch, item, weekly, left=0)``: a lot that came in before the first of the weeks, of which so many pieces
    were used on the Wednesday of each week, the last week being the one before the held Monday; ``left`` remain."""

    def history(
        branch: Branch, item: StockItem, weekly: Sequence[int], left: int = 0, cost: str = "4.00", code: str = "OLD"
    ) -> Lot:
        start = MONDAY - dt.timedelta(weeks=len(weekly))
        with clock.at(noon(start)):
            lot = services.goods_receive(
                actor=TEST,
                branch=branch,
                item=item,
                lot_code=code,
                quantity=max(1, sum(weekly) + left),
                unit_cost=Decimal(cost),
                document="deliveries/test",
            )
        for week, count in enumerate(weekly):
            if count:
                take(lot, count, noon(start + dt.timedelta(weeks=week, days=2)))
        return lot

    return history


def take(lot: Lot, count: int, moment: dt.datetime, kind: Movement.Kind = Movement.Kind.CONSUMPTION) -> None:
    """Promise so many pieces and let them leave."""
    leaving = {"actor": TEST, "lot": lot, "document": "orders/test"}
    with clock.at(moment), transaction.atomic():
        assert ledger.post(**leaving, kind=Movement.Kind.RESERVATION, reserved_change=count)
        assert ledger.post(**leaving, kind=kind, on_hand_change=-count, reserved_change=-count, reason="test")


@pytest.fixture
def sold_by(lens: LensProduct) -> Callable[..., Supplier]:
    """``sold_by(name, cost=..., pack=..., lead=...)``: a supplier with one price for all powers of the lens."""

    def supplier(
        name: str = "Lindentree Lenses (invented)",
        *,
        cost: str = "4.00",
        pack: int = 1,
        lead: int = 5,
        preferred: bool = False,
        currency: str = "GBP",
        product: LensProduct | None = None,
    ) -> Supplier:
        made = Supplier.objects.create(name=name, lead_time_days=lead, currency=currency)
        offer = Offer.objects.create(supplier=made, lens=product or lens, is_preferred=preferred)
        SupplierPrice.objects.create(
            offer=offer,
            unit_cost=Decimal(cost),
            currency=currency,
            valid_from=dt.date(2026, 1, 1),
            pack_size=pack,
        )
        return made

    return supplier
