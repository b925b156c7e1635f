"""Articles by their code, and the currency a row is written in."""

from __future__ import annotations

from typing import Any

from opticshop.catalogue.models import Frame, LensProduct, ServiceItem

from ..row_problems import ArticleUnknown, CurrencyDiffers
from .shared import Problem, RowRefused


def article_by_sku(values: dict[str, Any]) -> Frame | LensProduct:
    """Raises RowRefused where no article, or a frame and a lens, have the code."""
    return _only(values, [Frame, LensProduct])


def priced_by_sku(values: dict[str, Any]) -> Frame | LensProduct | ServiceItem:
    """The same, and services too."""
    return _only(values, [Frame, LensProduct, ServiceItem])


def _only(values: dict[str, Any], kinds: list[Any]) -> Any:
    sku = values.get("sku", "")
    found = [article for kind in kinds for article in kind.objects.filter(sku=sku)]
    if len(found) != 1:
        said = "no article of ours" if not found else "the code of several articles"
        raise RowRefused(Problem("sku", ArticleUnknown, f"{sku[:80]!r} is {said}.", "a code of one article"))
    return found[0]


def check_currency(values: dict[str, Any], wanted: str) -> None:
    said = values.get("currency", wanted)
    if said.upper() != wanted:
        raise RowRefused(Problem("currency", CurrencyDiffers, f"{said[:80]!r} is not {wanted}.", wanted))
