"""Writes of price lists. Prices are changed by a new list from a day on, never in a list that is in force or past."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q

from opticshop.branches.models import Branch
from opticshop.catalogue.services import PriceNotPayable
from opticshop.core import outbox
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid
from opticshop.core.locks import busy_answers, lock_rows
from opticshop.core.money import minor_unit, rounded

from . import lists_events as events
from .lists_models import ListPrice, PriceList
from .lists_selectors import COLUMNS, Article, of_scope, today_of
from .permissions import PricePermission


class ListsOverlap(Conflict):
    """Another list of the same branch (or of the group, in the same currency) holds on one of these days."""

    code = "prices.lists_overlap"
    title = "Another price list holds on these days"


class ListInForce(Conflict):
    """The list is in force or past: what it says stays said. Prices change by a new list from a day on."""

    code = "prices.list_in_force"
    title = "This price list can no longer be changed"


class ListDaysImpossible(Invalid):
    """A list begins today at the earliest and ends no earlier than it begins; an end is not set in the past."""

    code = "prices.list_days_impossible"
    title = "A price list cannot hold on these days"


class ListCurrencyMismatch(Invalid):
    """The list of a branch is in the currency the branch trades in."""

    code = "prices.list_currency"
    title = "The branch trades in another currency"


class PricedTwice(Invalid):
    """An article is named twice among the rows given."""

    code = "prices.priced_twice"
    title = "An article has two prices"


@dataclass(frozen=True, slots=True)
class Row:
    """The price of one article."""

    article: Article
    price: Decimal


def price_list_add(
    *,
    actor: Actor,
    branch: Branch | None,
    name: str,
    currency: str,
    valid_from: dt.date,
    valid_to: dt.date | None = None,
    rows: Sequence[Row] = (),
) -> PriceList:
    """Add a list with its rows. An open list takes over from the open list of its scope, which ends the day before.

    Raises ListDaysImpossible, ListCurrencyMismatch, ListsOverlap, PriceNotPayable, PricedTwice.
    """
    _require(actor, branch)
    if branch is not None and branch.currency != currency:
        raise ListCurrencyMismatch(
            f"{branch.code} trades in {branch.currency}.", field="currency", allowed=branch.currency
        )
    if valid_to is not None and valid_to < valid_from:
        raise ListDaysImpossible(f"{valid_to} lies before {valid_from}.", field="valid_to")
    today = today_of(branch)
    if valid_from < today:
        raise ListDaysImpossible(f"{valid_from} has passed.", field="valid_from", allowed="today or later")
    added = PriceList(
        branch=branch, name=name, currency=currency, valid_from=valid_from, valid_to=valid_to, added_by_id=actor.id
    )
    with transaction.atomic():
        former = _taken_over(added, lock_rows(of_scope(branch, currency)), today)
        try:
            with busy_answers(), transaction.atomic():
                if former is not None:
                    former.valid_to = valid_from - dt.timedelta(days=1)
                    former.save(update_fields=["valid_to"])
                added.save(force_insert=True)
        except IntegrityError as error:
            raise ListsOverlap("Another list was added at the same time.", field="valid_from") from error
        _keep(added, rows)
        _record(
            actor,
            events.LIST_ADDED,
            added,
            branch=branch and str(branch.id),
            valid_from=valid_from.isoformat(),
            valid_to=valid_to and valid_to.isoformat(),
            ended=former and str(former.id),
        )
    return added


def price_list_rows_set(*, actor: Actor, price_list: PriceList, rows: Sequence[Row]) -> PriceList:
    """Set the prices of articles in a list that is not yet in force; a row that was there is replaced."""
    _require(actor, price_list.branch)
    with transaction.atomic():
        [locked] = lock_rows(PriceList.objects.filter(id=price_list.id))
        today = today_of(price_list.branch)
        if locked.valid_from <= today:
            raise ListInForce(
                f"{locked.name} holds since {locked.valid_from}.",
                field="price_list",
                allowed="a new list from a later day",
            )
        _keep(locked, rows)
        _record(actor, events.LIST_PRICED, locked, rows=len(rows))
    return locked


def price_list_end(*, actor: Actor, price_list: PriceList, valid_to: dt.date) -> PriceList:
    """Give an open list its last day, today or later."""
    _require(actor, price_list.branch)
    with transaction.atomic():
        [locked] = lock_rows(PriceList.objects.filter(id=price_list.id))
        if locked.valid_to is not None:
            raise ListInForce(f"{locked.name} ends on {locked.valid_to}.", field="valid_to")
        if valid_to < max(today_of(price_list.branch), locked.valid_from):
            raise ListDaysImpossible(
                f"{locked.name} cannot end on {valid_to}.",
                field="valid_to",
                allowed="today or later, not before it begins",
            )
        locked.valid_to = valid_to
        locked.save(update_fields=["valid_to"])
        _record(actor, events.LIST_ENDED, locked, valid_to=valid_to.isoformat())
    return locked


def _taken_over(added: PriceList, others: Sequence[PriceList], today: dt.date) -> PriceList | None:
    """The open list that the added one takes over from; raises ListsOverlap for any other that shares a day."""
    former = None
    for other in others:
        if other.valid_to is not None and other.valid_to < added.valid_from:
            continue
        if added.valid_to is not None and added.valid_to < other.valid_from:
            continue
        is_open = added.valid_to is None and other.valid_to is None
        if is_open and other.valid_from < added.valid_from and added.valid_from > today:
            former = other
            continue
        raise ListsOverlap(
            f"{other.name} holds from {other.valid_from} to {other.valid_to or 'further notice'}.",
            field="valid_from",
            allowed="days on which no list of the same scope holds; an open list can be ended, "
            "and an open list from tomorrow on takes over from it",
            price_list=str(other.id),
        )
    return former


def _keep(price_list: PriceList, rows: Sequence[Row]) -> None:
    """Write the rows instead of those of the same articles. Raises PriceNotPayable, PricedTwice."""
    keys: set[uuid.UUID] = set()
    for place, row in enumerate(rows):
        if row.price < 0 or rounded(row.price, price_list.currency) != row.price:
            raise PriceNotPayable(
                f"{row.price} {price_list.currency} is no price of {row.article.sku}.",
                field=f"rows/{place}/price",
                allowed=f"0 or more in steps of {minor_unit(price_list.currency)}",
            )
        if row.article.id in keys:
            raise PricedTwice(f"{row.article.sku} is named twice.", field=f"rows/{place}")
        keys.add(row.article.id)
    price_list.rows.filter(Q(frame__in=keys) | Q(lens__in=keys) | Q(service__in=keys)).delete()
    ListPrice.objects.bulk_create(
        ListPrice(price_list=price_list, price=row.price, **{COLUMNS[type(row.article)]: row.article}) for row in rows
    )


def _require(actor: Actor, branch: Branch | None) -> None:
    """A branch's list needs the permission there; the group's needs it everywhere."""
    if branch is not None:
        actor.require(PricePermission.EDIT, branch.id)
    elif actor.where(PricePermission.EDIT) is not ALL:
        raise Forbidden("The price lists of the group are kept by head office.", permission=str(PricePermission.EDIT))


def _record(actor: Actor, event: str, price_list: PriceList, **more: Any) -> None:
    outbox.record(
        event_type=event,
        subject=f"sale-price-lists/{price_list.id}",
        actor=actor,
        branch_id=price_list.branch_id,
        data={"price_list": str(price_list.id), **more},
    )
