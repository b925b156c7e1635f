"""Things to count: a frame and a lens in one power at the first branch, and a way to take them in."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from django.db.backends.sqlite3.base import DatabaseWrapper

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


def _flush_lifting_triggers(plain: Callable[..., list[str]]) -> Callable[..., list[str]]:
    """Between transactional tests SQLite empties tables with DELETE, which the sealed ledger refuses; PostgreSQL
    truncates. So on SQLite the triggers are lifted for that moment and put back."""

    def flush(self: Any, style: Any, tables: Any, **options: Any) -> list[str]:
        with self.connection.cursor() as cursor:
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            triggers = cursor.fetchall()
        return [
            *(f'DROP TRIGGER "{name}"' for name, _ in triggers),
            *plain(self, style, tables, **options),
            *(sql for _, sql in triggers),
        ]

    flush.lifts_triggers = True  # type: ignore[attr-defined]
    return flush


if not hasattr(DatabaseWrapper.ops_class.sql_flush, "lifts_triggers"):
    DatabaseWrapper.ops_class.sql_flush = _flush_lifting_triggers(DatabaseWrapper.ops_class.sql_flush)  # type: ignore[method-assign]
