"""Writes of stock.

``receiving`` takes goods in, ``reserving`` promises them to documents and settles the promises, ``loose`` moves what
nobody was promised, ``levels`` holds what is wanted and what is on order.
"""

from __future__ import annotations

from .levels import expected_change, stock_level_set
from .loose import Quarantined, lot_quarantine, lot_quarantine_lift, lot_write_off, stock_return_to_supplier
from .problems import (
    AlreadyQuarantined,
    AlreadyReserved,
    BalanceDisagrees,
    CostNotPayable,
    ExpectedTooSmall,
    LevelsContradict,
    LotCostDiffers,
    LotQuarantineDiffers,
    NotEnoughAvailable,
    NothingReserved,
    NothingToReturn,
    NotQuarantined,
    OutOfStock,
    QuantityWrong,
    ReasonMissing,
)
from .receiving import frame_item_ensure, frame_receive, goods_receive, lens_item_ensure, lens_receive
from .reserving import (
    stock_consume,
    stock_release,
    stock_reserve,
    stock_reserve_many,
    stock_return_from_customer,
    stock_write_off,
)

__all__ = [
    "AlreadyQuarantined",
    "AlreadyReserved",
    "BalanceDisagrees",
    "CostNotPayable",
    "ExpectedTooSmall",
    "LevelsContradict",
    "LotCostDiffers",
    "LotQuarantineDiffers",
    "NotEnoughAvailable",
    "NotQuarantined",
    "NothingReserved",
    "NothingToReturn",
    "OutOfStock",
    "QuantityWrong",
    "Quarantined",
    "ReasonMissing",
    "expected_change",
    "frame_item_ensure",
    "frame_receive",
    "goods_receive",
    "lens_item_ensure",
    "lens_receive",
    "lot_quarantine",
    "lot_quarantine_lift",
    "lot_write_off",
    "stock_consume",
    "stock_level_set",
    "stock_release",
    "stock_reserve",
    "stock_reserve_many",
    "stock_return_from_customer",
    "stock_return_to_supplier",
    "stock_write_off",
]
