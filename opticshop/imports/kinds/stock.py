"""Opening balances: pieces that lie in the drawers, lot by lot, received with the import as their paper."""

from __future__ import annotations

from typing import Any

from opticshop.catalogue.models import Frame
from opticshop.stock.models import StockItem
from opticshop.stock.serializers.lots import GoodsReceiptIn
from opticshop.stock.services import frame_receive, lens_receive

from ..row_problems import Elsewhere
from .articles import article_by_sku, check_currency
from .shared import Field, Job, Made, Problem, RowKind, RowRefused, number

_PLAIN = ("lot_code", "quantity", "unit_cost", "sphere_dpt", "cylinder_dpt")


def _apply(job: Job, values: dict[str, Any]) -> Made:
    _check_place(job, values)
    check_currency(values, job.branch.currency)
    article = article_by_sku(values)
    of_frame = isinstance(article, Frame)
    kind = StockItem.Kind.FRAME if of_frame else StockItem.Kind.LENS
    body = {name: values[name] for name in _PLAIN if name in values}
    body |= {"branch": str(job.branch.id), "kind": kind, ("frame" if of_frame else "lens"): str(article.id)}
    checked = KIND.shaped(GoodsReceiptIn, body)
    delivery = {name: checked[name] for name in ("lot_code", "quantity", "unit_cost")}
    delivery["document"] = f"imports/{job.file.id}/{job.row}"
    if isinstance(article, Frame):
        lot = frame_receive(actor=job.actor, branch=job.branch, frame=article, **delivery)
    else:
        power = {"sphere_dpt": checked["sphere_dpt"], "cylinder_dpt": checked.get("cylinder_dpt", 0)}
        lot = lens_receive(actor=job.actor, branch=job.branch, product=article, **power, **delivery)
    return Made("lots", lot.id)


def _check_place(job: Job, values: dict[str, Any]) -> None:
    """A row that says where it lies must say this branch."""
    place = values.get("location", job.branch.code)
    if place.casefold() != job.branch.code.casefold():
        raise RowRefused(Problem("location", Elsewhere, f"{place[:80]!r} is not this branch.", job.branch.code))


KIND = RowKind(
    fields=(
        Field("external_id", ("stock id", "outside id", "ref")),
        Field("sku", ("code", "article", "article code", "item", "item code", "product code", "stock code")),
        Field("sphere_dpt", ("sphere", "sph"), number),
        Field("cylinder_dpt", ("cylinder", "cyl"), number),
        Field("lot_code", ("lot", "batch", "lot number", "batch number")),
        Field("quantity", ("qty", "pieces", "on hand", "in stock", "count")),
        Field("unit_cost", ("cost", "cost price", "unit price", "purchase price"), number),
        Field("currency", ("currency code",)),
        Field("location", ("branch", "branch code", "shop")),
    ),
    apply=_apply,
    needed=(("sku",), ("lot_code",), ("quantity",), ("unit_cost",)),
    called={"frame": "sku", "lens": "sku", "item": "sku"},
)
