"""Shapes of stock, by what they are about; those that other apps nest are named here."""

from __future__ import annotations

from .lots import ArticleIn, LotOut, StockItemOut

__all__ = ["ArticleIn", "LotOut", "StockItemOut"]
