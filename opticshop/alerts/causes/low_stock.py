"""An item of which a branch has no more than its minimum, counting what is on order and on its way."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from opticshop.stock.permissions import StockPermission
from opticshop.stock.selectors import levels_to_order

from ..hours import Place
from ..kinds import Severity
from .kit import Cause, Found, Threshold, Thresholds


def find(place: Place, given: Thresholds) -> Iterable[Found]:
    """One query."""
    for level in levels_to_order(place.branch):
        item = level.item
        article: Any = item.frame or item.lens
        kind = "frame" if item.lens is None else "lens"
        power = "" if item.lens is None else f" {item.sphere_dpt:+.2f}/{item.cylinder_dpt:+.2f}"
        yield Found(
            key=f"stock-items/{item.id}",
            about=f"stock-items/{item.id}",
            link=f"/api/v1/stock/levels/?branch={place.branch.id}&{kind}={article.id}",
            number=f"{article.sku}{power}",
            severity=Severity.WARNING if level.loose <= given["warning_at"] else Severity.NOTICE,
            since=place.now,
            facts={
                "available": level.loose,
                "on_order": level.awaited,
                "minimum": level.minimum,
                "target": level.target,
            },
        )


def words(number: str, facts: Mapping[str, Any]) -> str:
    return (
        f"Of {number} there are {facts['available']} left and {facts['on_order']} on their way; "
        f"the minimum is {facts['minimum']}."
    )


CAUSE = Cause(
    name="low_stock",
    title="Low stock",
    action="Reorder up to the target, or ask another branch for a transfer.",
    owner_role="manager",
    needs=StockPermission.VIEW,
    thresholds=(Threshold("warning_at", "A warning when no more than this is left", 0, "pieces", 0, 1000),),
    find=find,
    words=words,
)
