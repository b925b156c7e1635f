"""Reads of price lists: which are seen, and what an article costs at a branch on a day and why."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Count, F, Q, QuerySet

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct, ServiceItem
from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound

from .lists_models import ListPrice, PriceList
from .permissions import PricePermission

Article = Frame | LensProduct | ServiceItem
#: The column of a list's row for each kind of article.
COLUMNS: dict[type[Article], str] = {Frame: "frame", LensProduct: "lens", ServiceItem: "service"}


@dataclass(frozen=True, slots=True)
class SalePrice:
    """What an article costs, and the list that decided; without one the catalogue did."""

    article: Article
    price: Decimal
    currency: str
    price_list: PriceList | None = None


def price_lists_visible_to(actor: Actor) -> QuerySet[PriceList]:
    """The lists of the group and of the branches in which the actor may see prices, with how many rows they have."""
    where = actor.where(PricePermission.VIEW)
    lists = PriceList.objects.select_related("branch").annotate(row_count=Count("rows"))
    if where is ALL:
        return lists
    return lists.filter(Q(branch__in=where) | Q(branch__isnull=True)) if where else lists.none()


def list_prices_visible_to(actor: Actor) -> QuerySet[ListPrice]:
    where = actor.where(PricePermission.VIEW)
    rows = ListPrice.objects.select_related("frame", "lens", "service")
    if where is ALL:
        return rows
    seen = Q(price_list__branch__in=where) | Q(price_list__branch__isnull=True)
    return rows.filter(seen) if where else rows.none()


def price_list_get_for(actor: Actor, list_id: uuid.UUID) -> PriceList:
    """Raises NotFound."""
    found = price_lists_visible_to(actor).filter(id=list_id).first()
    if found is None:
        raise NotFound(f"There is no price list {list_id} here.", field="price_list")
    return found


def of_scope(branch: Branch | None, currency: str) -> QuerySet[PriceList]:
    """The lists that may not overlap: one branch's, or the group's in one currency."""
    return PriceList.objects.filter(branch=branch, currency=currency)


def holding_on(day: dt.date) -> Q:
    return Q(valid_from__lte=day) & (Q(valid_to__isnull=True) | Q(valid_to__gte=day))


def today_of(branch: Branch | None) -> dt.date:
    """The day of a list's scope: the branch's, or for the group the latest that any branch has reached."""
    if branch is not None:
        return clock.today(branch.time_zone)
    zones = Branch.objects.filter(is_active=True).order_by().values_list("time_zone", flat=True).distinct()
    return max((clock.today(zone) for zone in zones), default=clock.today("UTC"))


def sale_prices(*, branch: Branch, articles: Iterable[Article], day: dt.date) -> dict[uuid.UUID, SalePrice]:
    """What articles cost at a branch on a day, by their ids, in two queries: by the branch's list, else by the group's,
    else by the catalogue (whose currency may be another than the branch's: the caller decides what that means)."""
    wanted = {article.id: article for article in articles}
    of_branch = Q(price_list__branch=branch) | Q(price_list__branch__isnull=True)
    named = Q(frame__in=wanted) | Q(lens__in=wanted) | Q(service__in=wanted)
    lists = PriceList.objects.filter(holding_on(day), Q(branch=branch) | Q(branch__isnull=True))
    holding = {found.id: found for found in lists.filter(currency=branch.currency)}
    rows = ListPrice.objects.filter(of_branch, named, price_list__in=holding) if holding else ListPrice.objects.none()
    found = {key: SalePrice(article, article.price, article.currency) for key, article in wanted.items()}
    for row in rows.order_by(F("price_list__branch").asc(nulls_first=True)):
        article = wanted[next(key for key in (row.frame_id, row.lens_id, row.service_id) if key is not None)]
        decided = holding[row.price_list_id]
        found[article.id] = SalePrice(article, row.price, decided.currency, decided)
    return found
