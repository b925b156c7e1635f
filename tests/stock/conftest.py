"""Things to count: a frame and a lens in one power at the first branch, and a way to take them in."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import system
from opticshop.stock import services
from opticshop.stock.models import Lot, StockItem
from tests.factories import FrameFactory, LensProductFactory


@pytest.fixture
def frame(db: Any) -> Frame:
    return FrameFactory()


@pytest.fixture
def lens(db: Any) -> LensProduct:
    """Finished, sphere -6 to +4, cylinder to -2, steps of 0.25."""
    return LensProductFactory()


@pytest.fixture
def frame_item(frame: Frame) -> StockItem:
    return services.frame_item_ensure(frame)


@pytest.fixture
def lens_item(lens: LensProduct) -> StockItem:
    return services.lens_item_ensure(lens, Decimal("-2"), Decimal("-0.5"))


@pytest.fixture
def receive() -> Callable[..., Lot]:
    """``receive(branch, item, quantity, code="A")``: pieces that lie in the drawer, taken in by the system."""

    def take_in(branch: Branch, item: StockItem, quantity: int, code: str = "A", cost: str = "4.20") -> Lot:
        return services.goods_receive(
            actor=system("test"),
            branch=branch,
            item=item,
            lot_code=code,
            quantity=quantity,
            unit_cost=Decimal(cost),
            document="deliveries/test",
        )

    return take_in
