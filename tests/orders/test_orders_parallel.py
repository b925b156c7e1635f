"""One quotation accepted and one scope of price lists filled by several at once, on PostgreSQL: one does it."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connection, connections

from opticshop.core import clock
from opticshop.core.errors import Busy, DomainError
from opticshop.orders.models import Order, Quotation
from opticshop.orders.quotations_services import quotation_accept, quotation_make
from opticshop.orders.services import Wanted
from opticshop.prices.lists_models import PriceList
from opticshop.prices.lists_services import ListsOverlap, price_list_add
from opticshop.stock.models import Reservation
from tests.conftest import NOON
from tests.orders.conftest import SYSTEM
from tests.orders.test_orders_pricing import more_stock

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
HANDS = 6


@pytest.fixture(autouse=True)
def on_postgresql():
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")


def at_once(call: Callable[[int], Any]) -> list[Any]:
    gate = Barrier(HANDS)

    def run(number: int) -> Any:
        try:
            gate.wait(timeout=20)
            with clock.at(NOON):  # a thread does not inherit the clock that the tests hold
                return call(number)
        except DomainError as error:
            return error
        finally:
            connections.close_all()

    with ThreadPoolExecutor(HANDS) as pool:
        return list(pool.map(run, range(HANDS)))


def test_a_quotation_becomes_one_order(world):
    more_stock(world, HANDS)
    quotation = quotation_make(
        actor=SYSTEM,
        wanted=Wanted(
            branch=world.branch,
            customer=world.customer,
            prescription=world.prescription,
            measurement=world.measurement,
            frame=world.frame,
            lenses={"right": world.lens, "left": world.lens},
        ),
    )
    answers = at_once(lambda _: quotation_accept(actor=SYSTEM, quotation=quotation))
    assert Counter(type(answer).__name__ for answer in answers) == {"Order": 1, "MoveNotAllowed": HANDS - 1}
    assert Order.objects.everywhere("test").count() == 1
    assert Reservation.objects.everywhere("test").count() == 3
    assert Quotation.objects.everywhere("test").get().state == "accepted"


@pytest.mark.parametrize("of_branch", [True, False])
def test_lists_added_at_once_share_no_day(mill, of_branch):
    def add(number: int) -> PriceList:
        first = dt.date(2026, 4, 1) + dt.timedelta(days=number)
        return price_list_add(
            actor=SYSTEM,
            branch=mill if of_branch else None,
            name=f"List {number} (invented)",
            currency="GBP",
            valid_from=first,
            valid_to=first + dt.timedelta(days=HANDS),
        )

    answers = at_once(add)
    assert sum(isinstance(answer, PriceList) for answer in answers) == 1
    assert sum(isinstance(answer, ListsOverlap | Busy) for answer in answers) == HANDS - 1
    assert PriceList.objects.count() == 1
