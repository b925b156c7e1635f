"""Sale prices by code: into a new price list of the branch from a day on, or, without a day, into the catalogue."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from opticshop.catalogue.models import Frame, LensProduct
from opticshop.catalogue.services import frame_change, lens_change, service_change
from opticshop.core.actor import Actor
from opticshop.core.serializers import StrictSerializer, UnitDecimalField
from opticshop.prices.lists_models import PriceList
from opticshop.prices.lists_selectors import COLUMNS, Article
from opticshop.prices.lists_services import Row, price_list_add, price_list_rows_set

from ..models import ImportFile
from ..row_problems import PricedTwice, Unchanged
from .articles import check_currency, priced_by_sku
from .shared import Field, Job, Made, Problem, RowKind, RowRefused, RowSkipped, number


class _PriceIn(StrictSerializer):
    price = UnitDecimalField(unit="the currency of the list or article, with tax", max_digits=10)


def _prepare(actor: Actor, file: ImportFile) -> None:
    """Open the list that the rows go into. Raises what the price lists refuse."""
    if file.valid_from is not None and file.price_list is None:
        file.price_list = price_list_add(
            actor=actor,
            branch=file.branch,
            name=f"Import {file.file_name}".strip()[:80],
            currency=file.branch.currency,
            valid_from=file.valid_from,
        )


def _apply(job: Job, values: dict[str, Any]) -> Made:
    article = priced_by_sku(values)
    price = KIND.shaped(_PriceIn, {name: values[name] for name in ("price",) if name in values})["price"]
    if job.file.price_list is not None:
        return _into_list(job, job.file.price_list, article, price, values)
    return _into_catalogue(job, article, price, values)


def _into_list(job: Job, price_list: PriceList, article: Article, price: Decimal, values: dict[str, Any]) -> Made:
    check_currency(values, price_list.currency)
    if price_list.rows.filter(**{COLUMNS[type(article)]: article}).exists():
        detail = f"An earlier row gives a price of {article.sku}."
        raise RowRefused(Problem("sku", PricedTwice, detail, "every article once"))
    price_list_rows_set(actor=job.actor, price_list=price_list, rows=[Row(article, price)])
    return Made("sale-price-lists", price_list.id)


def _into_catalogue(job: Job, article: Article, price: Decimal, values: dict[str, Any]) -> Made:
    check_currency({"currency": job.branch.currency} | values, article.currency)
    if price == article.price:
        raise RowSkipped(Problem("price", Unchanged, f"{article.sku} costs {price} already."))
    how: dict[str, Any] = {"actor": job.actor, "version": article.version, "changes": {"price": price}}
    if isinstance(article, Frame):
        frame_change(frame=article, **how)
        return Made("frames", article.id)
    if isinstance(article, LensProduct):
        lens_change(lens=article, **how)
        return Made("lenses", article.id)
    service_change(service=article, **how)
    return Made("services", article.id)


KIND = RowKind(
    fields=(
        Field("external_id", ("price id", "outside id", "ref")),
        Field("sku", ("code", "article", "article code", "item", "item code", "product code", "stock code")),
        Field("price", ("sale price", "selling price", "retail price", "price with tax"), number),
        Field("currency", ("currency code",)),
    ),
    apply=_apply,
    needed=(("sku",), ("price",)),
    prepare=_prepare,
    called={"rows_0_price": "price"},
)
