"""Orders and quotations by day: days as each shop lived them, by the calendars of New York and London (IANA)."""

from __future__ import annotations

import datetime as dt

import pytest

from opticshop.orders.models import Order, Quotation
from tests.conftest import NOON
from tests.factories import CustomerFactory, order_priced

pytestmark = pytest.mark.django_db
ORDERS, QUOTES = "/api/v1/orders/", "/api/v1/quotes/"
#: 02:00 UTC on 2 March 2026: 2 March in London, still 1 March in New York (UTC-5 until 8 March 2026).
NIGHT = dt.datetime(2026, 3, 2, 2, tzinfo=dt.UTC)
LINE = ("frame", "", "A", "A (invented)", "120", "standard", "20", "20")


#: What every order that is shown has; the figures are of no matter here.
COMPUTED = {
    "centre_distance_mm": 63.5,
    "relative_prism_in_dpt": 0.0,
    "relative_prism_up_dpt": 0.0,
    "assumptions": [],
    "version": "invented",
}


def an_order(branch, at):
    return order_priced(LINE, customer=CustomerFactory(branch=branch), placed_at=at, computation=COMPUTED)


def numbers(client, **asked):
    answer = client.get(ORDERS, asked)
    assert answer.status_code == 200, answer.content
    return {each["number"] for each in answer.json()["results"]}


@pytest.fixture
def shops(mill, quay):
    mill.time_zone, quay.time_zone = "Europe/London", "America/New_York"
    for branch in (mill, quay):
        branch.save()
    return an_order(mill, NIGHT), an_order(quay, NIGHT)


def test_a_day_is_that_of_the_branch_named_or_of_each(api, head_office, shops, mill, quay):
    client = api(head_office)
    of_mill, of_quay = (order.number for order in shops)
    first, second = {"placed_from": "2026-03-01", "placed_to": "2026-03-01"}, {"placed_from": "2026-03-02"}
    assert numbers(client, **first) == {of_quay}
    assert numbers(client, **second) == {of_mill}
    assert numbers(client, **first, branch=str(mill.id)) == set()
    assert numbers(client, **first, branch=str(quay.id)) == {of_quay}
    assert numbers(client, placed_to="2026-03-02") == {of_mill, of_quay}
    assert numbers(client, **first, branch="018f0000-0000-7000-8000-000000000000") == set()


def test_days_show_nobody_anothers_orders(api, manager, shops):
    """The manager is of Mill only."""
    assert numbers(api(manager), placed_from="2026-03-01", placed_to="2026-03-02") == {shops[0].number}


@pytest.mark.parametrize("column", ["ready", "collected"])
def test_made_ready_and_collected_by_day(api, head_office, shops, column):
    Order.unscoped.update(**{f"{column}_at": NIGHT})
    found = numbers(api(head_office), **{f"{column}_from": "2026-03-02", f"{column}_to": "2026-03-02"})
    assert found == {shops[0].number}
    assert numbers(api(head_office), **{f"{column}_to": "2026-02-28"}) == set()


def test_pairs_that_lay_uncollected_at_the_end_of_a_day(api, head_office, mill):
    """By hand: ready on 1 March, one collected on 3 March, one still lying; a third was made ready on 4 March."""
    day = dt.timedelta(days=1)
    rows = [an_order(mill, NOON - 5 * day) for _ in range(3)]
    for order, state, ready, collected in zip(
        rows, ("collected", "ready", "ready"), (-1, -1, 2), (1, None, None), strict=True
    ):
        Order.unscoped.filter(pk=order.pk).update(
            state=state, ready_at=NOON + ready * day, collected_at=None if collected is None else NOON + collected * day
        )
    client = api(head_office)
    told = {on: numbers(client, uncollected_on=f"2026-{on}") for on in ("02-28", "03-02", "03-03", "03-04")}
    assert told == {
        "02-28": set(),
        "03-02": {rows[0].number, rows[1].number},
        "03-03": {rows[1].number},
        "03-04": {rows[1].number, rows[2].number},
    }


@pytest.mark.parametrize(
    ("address", "query", "field"),
    [
        (ORDERS, "placed_from=2026-03-03&placed_to=2026-03-02", "placed_to"),
        (ORDERS, "supplied_from=2026-03-03&supplied_to=2026-03-02", "supplied_to"),
        (ORDERS, "placed_from=yesterday", "placed_from"),
        (ORDERS, "placed_to=9999-12-31", "placed_to"),
        (ORDERS, "placed_from=0001-01-01", "placed_from"),
        (ORDERS, "placed_form=2026-03-02", "placed_form"),
        (QUOTES, "quoted_from=2026-03-03&quoted_to=2026-03-02", "quoted_to"),
        (QUOTES, "quoted_to=2026-02-30", "quoted_to"),
    ],
)
def test_days_that_cannot_be_are_refused_by_name(api, head_office, address, query, field):
    answer = api(head_office).get(f"{address}?{query}")
    assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
    assert [each["pointer"].rpartition("/")[2] for each in answer.json()["errors"]] == [field]


def test_quotations_by_the_day_of_their_price(api, head_office, mill):
    _, second, _ = (offered(mill, NOON + dt.timedelta(days=days)) for days in (-1, 0, 1))
    asked = {"quoted_from": "2026-03-02", "quoted_to": "2026-03-02", "branch": str(mill.id)}
    found = api(head_office).get(QUOTES, asked).json()["results"]
    assert [each["number"] for each in found] == [second.number]


def offered(branch, at):
    """An offer as a row; it has an order beside it, whose papers it shares."""
    order = an_order(branch, at)
    papers = {name: getattr(order, name) for name in ("customer", "prescription", "measurement", "frame", "currency")}
    return Quotation.unscoped.create(
        branch=branch,
        number=f"Q-{order.number}",
        quoted_at=at,
        quoted_on=at.date(),
        valid_to=at.date(),
        total=1,
        tax_total=0,
        **papers,
    )


def test_days_cost_one_query_whatever_there_is(api, head_office, queries, shops, mill, quay):
    client = api(head_office)
    asked = {"placed_from": "2026-03-01", "placed_to": "2026-03-02"}
    plain = queries(lambda: client.get(ORDERS))
    few = queries(lambda: client.get(ORDERS, asked))
    assert few == plain + 1
    for branch in (mill, quay):
        for _ in range(4):
            an_order(branch, NIGHT)
    assert queries(lambda: client.get(ORDERS, asked)) == few
