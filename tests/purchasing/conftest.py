"""A supplier that sells a stock lens and a frame, and helpers to buy through the API."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest
from rest_framework.test import APIClient

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.models import OutboxEvent
from opticshop.purchasing.models import Offer, Supplier, SupplierPrice
from opticshop.stock.models import Expected, Lot
from tests.factories import FrameFactory, LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import World, world

__all__ = ["World", "world"]

API = "/api/v1/"
ORDERS, DELIVERIES, RETURNS = f"{API}purchase-orders/", f"{API}deliveries/", f"{API}supplier-returns/"
SUPPLIERS, OFFERS, PRICES, LISTS = (
    f"{API}suppliers/",
    f"{API}supplier-offers/",
    f"{API}supplier-prices/",
    f"{API}price-lists/",
)
LENS_ORDERS, FINDER = f"{API}lens-orders/", f"{API}lens-finder/"
#: Check digits by the GS1 mod-10 rule (worked examples 4006381333931 and 5901234123457, interchange dossier 6).
PACKET, FRAME_GTIN, STRANGE = "04006381333931", "05901234123457", "00000000000017"
YEAR = dt.date(2026, 1, 1)


@dataclass
class Trade:
    """What the group buys from whom; -2.00 / -0.50 has a packet of its own."""

    supplier: Supplier
    lens: LensProduct
    frame: Frame
    branch: Branch

    def order(self, *lines: dict[str, Any], **more: Any) -> dict[str, Any]:
        return {
            "branch": str(self.branch.id),
            "supplier": str(self.supplier.id),
            "lines": list(lines) or [self.line()],
            **more,
        }

    def line(self, quantity: int = 4, sphere: str = "-2.00", cylinder: str = "-0.50", **more: Any) -> dict[str, Any]:
        power = {"sphere_dpt": sphere, "cylinder_dpt": cylinder}
        return {"lens": str(self.lens.id), **power, "quantity": quantity, **more}

    def parcel(self, **more: Any) -> dict[str, Any]:
        return {"branch": str(self.branch.id), "supplier": str(self.supplier.id), **more}


@pytest.fixture
def trade(mill: Branch) -> Trade:
    supplier = Supplier.objects.create(name="Lenticel Lenses (invented)", lead_time_days=3)
    lens = LensProductFactory(sku="SV-150-70")
    LensSurfaceFactory(product=lens)
    frame = FrameFactory(sku="HERON-50", gtin=FRAME_GTIN)
    of_lens = Offer.objects.create(supplier=supplier, lens=lens, is_preferred=True)
    of_frame = Offer.objects.create(supplier=supplier, frame=frame)
    price(of_lens, "4.20")
    price(of_lens, "4.00", gtin=PACKET, power=("-2.00", "-0.50"))
    price(of_frame, "31.00")
    return Trade(supplier, lens, frame, mill)


def price(offer: Offer, cost: str, *, power: tuple[str, str] | None = None, **more: Any) -> SupplierPrice:
    bounds: dict[str, Any] = {}
    if power:
        sphere, cylinder = map(Decimal, power)
        bounds = {
            "sphere_from_dpt": sphere,
            "sphere_to_dpt": sphere,
            "cylinder_from_dpt": cylinder,
            "cylinder_to_dpt": cylinder,
            "power_range": f"{sphere:+.2f} {sphere:+.2f} {cylinder:+.2f} {cylinder:+.2f}",
        }
    values = {"unit_cost": Decimal(cost), "currency": "GBP", "valid_from": YEAR, **bounds, **more}
    return SupplierPrice.objects.create(offer=offer, **values)


@pytest.fixture
def sent(api: Callable[..., APIClient], manager: Any, trade: Trade) -> Callable[..., dict[str, Any]]:
    """``sent(line, ...)``: a purchase order that the supplier has."""

    def send(*lines: dict[str, Any]) -> dict[str, Any]:
        order = done(api(manager).post(ORDERS, trade.order(*lines)), 201)
        return done(api(manager).post(f"{ORDERS}{order['id']}/send/", {}))

    return send


@pytest.fixture
def opened(api: Callable[..., APIClient], clerk: Any, trade: Trade) -> Callable[..., str]:
    """``opened()``: the address of a parcel that a clerk has opened."""

    def open_one(**more: Any) -> str:
        return f"{DELIVERIES}{done(api(clerk).post(DELIVERIES, trade.parcel(**more)), 201)['id']}/"

    return open_one


def done(response: Any, status: int = 200) -> dict[str, Any]:
    assert response.status_code == status, response.content
    return response.json()


def refused(response: Any, status: int, code: str) -> dict[str, Any]:
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["code"] == code, response.content
    return response.json()


def events_of(type_: str) -> list[dict[str, Any]]:
    return list(OutboxEvent.objects.filter(type=type_).order_by("id").values_list("data", flat=True))


def lots() -> dict[str, tuple[int, int]]:
    """Lot code -> on hand and reserved."""
    return {lot.code: (lot.on_hand, lot.reserved) for lot in Lot.objects.everywhere("test").order_by("id")}


def expected() -> int:
    return sum(Expected.objects.everywhere("test").values_list("quantity", flat=True))
