"""Several hands at one order, one parcel, one lens at once, on PostgreSQL: it is taken in once, the others are told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connection, connections

from opticshop.core import clock
from opticshop.core.errors import DomainError
from opticshop.purchasing.models import Offer, PurchaseOrder
from opticshop.stock.selectors import ledger_differences
from tests.conftest import NOON
from tests.purchasing.conftest import ORDERS, PACKET, done, expected, lots, price

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
HANDS = 5


@pytest.fixture(autouse=True)
def on_postgresql() -> None:
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")


def at_once(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    gate = Barrier(len(calls))

    def run(call: Callable[[], Any]) -> Any:
        try:
            gate.wait(timeout=20)
            with clock.at(NOON):
                return call()
        except DomainError as error:
            return error
        finally:
            connections.close_all()

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(run, calls))


def scanned(api, clerk, opened, quantity):
    url = opened()
    done(api(clerk).post(f"{url}scan/", {"code": f"(01){PACKET}(10)K1", "quantity": quantity}), 201)
    return url


def test_a_parcel_is_confirmed_once(api, clerk, sent, opened):
    sent()
    url = scanned(api, clerk, opened, 4)
    responses = at_once([lambda: api(clerk).post(f"{url}confirm/", {})] * HANDS)
    assert Counter(response.status_code for response in responses) == {200: 1, 409: HANDS - 1}
    assert {r.json()["code"] for r in responses if r.status_code == 409} == {"purchasing.delivery_not_open"}
    assert (lots(), expected()) == ({"K1": (4, 0)}, 0)
    assert ledger_differences() == []


def test_parcels_for_the_same_order_do_not_fill_it_twice(api, clerk, sent, opened):
    sent()
    urls = [scanned(api, clerk, opened, 4) for _ in range(HANDS)]
    calls = [lambda url=url: api(clerk).post(f"{url}confirm/", {}) for url in urls]
    responses = at_once(calls)
    assert Counter(response.status_code for response in responses) == {200: 1, 409: HANDS - 1}
    assert {r.json()["code"] for r in responses if r.status_code == 409} == {"purchasing.beyond_order"}
    assert (lots(), expected()) == ({"K1": (4, 0)}, 0)
    assert ledger_differences() == []


def test_receiving_and_calling_off_the_rest_agree(api, clerk, manager, trade, sent, opened):
    """Whichever comes first: what is expected is what is outstanding, and nothing is both received and cancelled."""
    for _ in range(3):
        order = sent(trade.line(2))
        url = opened(purchase_orders=[order["id"]])
        done(api(clerk).post(f"{url}scan/", {"code": f"(01){PACKET}(10)K1", "quantity": 2}), 201)
        cancel = f"{ORDERS}{order['id']}/cancel/"
        responses = at_once(
            [
                lambda url=url: api(clerk).post(f"{url}confirm/", {}),
                lambda cancel=cancel: api(manager).post(cancel, {"reason": "Late"}),
            ]
        )
        assert sorted(response.status_code for response in responses) == [200, 409]
        row = PurchaseOrder.objects.everywhere("test").get(id=order["id"])
        line = row.lines.get()
        assert (row.state, line.received, line.cancelled) in [("received", 2, 0), ("cancelled", 0, 2)]
        assert expected() == 0
    assert ledger_differences() == []


def test_one_offer_is_preferred_whoever_says_so(api, head_office, trade):
    offers = [Offer.objects.get(lens=trade.lens)]
    for number in range(HANDS - 1):
        offer = Offer.objects.create(supplier=type(trade.supplier).objects.create(name=f"S{number}"), lens=trade.lens)
        price(offer, "4.00")
        offers.append(offer)
    calls = [
        lambda offer=offer: api(head_office).patch(
            f"/api/v1/supplier-offers/{offer.id}/", {"is_preferred": True}, headers={"If-Match": '"1"'}
        )
        for offer in offers
    ]
    responses = at_once(calls)
    assert {response.status_code for response in responses} == {200}
    assert Offer.objects.filter(lens=trade.lens, is_preferred=True).count() == 1
