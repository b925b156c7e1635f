"""Dated price lists: which one decides, what may be changed, who may change it."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.errors import DomainError
from opticshop.core.models import OutboxEvent
from opticshop.prices.lists_models import ListPrice, PriceList
from opticshop.prices.lists_selectors import of_scope, sale_prices
from opticshop.prices.lists_services import ListsOverlap, Row, price_list_add, price_list_end
from tests.factories import BranchFactory, DispensingFeeFactory, FrameFactory, LensProductFactory

pytestmark = pytest.mark.django_db
SYSTEM = system("test")
LISTS, ROWS, PRICES = "/api/v1/sale-price-lists/", "/api/v1/sale-list-prices/", "/api/v1/sale-prices/"
TODAY = dt.date(2026, 3, 2)  # the steady clock


def day(offset: int) -> dt.date:
    return TODAY + dt.timedelta(days=offset)


def add(branch=None, first=0, last=None, rows=(), name="List (invented)", currency="GBP"):
    return price_list_add(
        actor=SYSTEM,
        branch=branch,
        name=name,
        currency=currency,
        valid_from=day(first),
        valid_to=None if last is None else day(last),
        rows=[Row(article, Decimal(price)) for article, price in rows],
    )


def priced(branch, article, offset=0):
    found = sale_prices(branch=branch, articles=[article], day=day(offset))[article.id]
    return str(found.price), found.price_list and found.price_list.name


def test_the_branchs_list_decides_then_the_groups_then_the_catalogue(mill, quay):
    frame, lens, fee = FrameFactory(), LensProductFactory(), DispensingFeeFactory()
    add(None, 0, rows=[(frame, "90.00"), (lens, "30.00")], name="group")
    add(mill, 1, 10, rows=[(frame, "80.00")], name="mill")
    assert priced(mill, frame) == ("90.00", "group")  # the branch's list begins tomorrow
    assert priced(mill, frame, 1) == priced(mill, frame, 10) == ("80.00", "mill")  # first and last day hold
    assert priced(mill, frame, 11) == ("90.00", "group")
    assert priced(quay, frame, 5) == ("90.00", "group")  # another branch's list says nothing here
    assert priced(mill, lens, 5) == ("30.00", "group")  # the branch's list has no row for it
    assert priced(mill, fee, 5) == ("60.00", None)
    assert priced(mill, frame, -1) == ("95.00", None)  # before every list


def test_a_list_in_another_currency_says_nothing(mill):
    frame = FrameFactory()
    add(None, 0, rows=[(frame, "110.00")], currency="EUR")
    assert priced(mill, frame) == ("95.00", None)


def test_the_look_up_says_which_list_decided(api, clerk, outsider, mill):
    frame = FrameFactory()
    kept = add(mill, 0, rows=[(frame, "80.00")], name="Mill spring (invented)")
    asked = {"branch": str(mill.id), "article": str(frame.id)}
    found = api(clerk).get(PRICES, asked).json()
    assert found == {
        "article": str(frame.id),
        "sku": frame.sku,
        "price": "80.00",
        "currency": "GBP",
        "decided_by": "branch_list",
        "price_list": str(kept.id),
        "price_list_name": "Mill spring (invented)",
        "valid_from": "2026-03-02",
    }
    before = api(clerk).get(PRICES, {**asked, "on": "2026-03-01"}).json()
    assert (before["decided_by"], before["price"], before["price_list"]) == ("catalogue", "95.00", None)
    assert api(outsider).get(PRICES, asked).status_code == 404
    assert api(clerk).get(PRICES, {**asked, "article": str(mill.id)}).status_code == 404
    assert api(clerk).get(PRICES, {"branch": str(mill.id)}).status_code == 400


def body(**more):
    return {"name": "Spring (invented)", "currency": "GBP", "valid_from": "2026-04-01", **more}


def test_head_office_adds_a_list_with_its_rows(api, head_office, clerk):
    frame, lens = FrameFactory(), LensProductFactory()
    rows = [{"frame": str(frame.id), "price": "99.00"}, {"lens": str(lens.id), "price": "35.50"}]
    answer = api(head_office).post(LISTS, body(rows=rows), format="json")
    assert answer.status_code == 201, answer.content
    made = answer.json()
    assert (made["branch"], made["row_count"], made["valid_to"]) == (None, 2, None)
    assert OutboxEvent.objects.get(type="prices.list_added").data["price_list"] == made["id"]
    more = api(head_office).post(
        f"{LISTS}{made['id']}/rows/", {"rows": [{"frame": str(frame.id), "price": "97.00"}]}, format="json"
    )
    assert more.status_code == 200, more.content
    assert OutboxEvent.objects.get(type="prices.list_priced").data["rows"] == 1
    shown = api(clerk).get(ROWS, {"price_list": made["id"]}).json()["results"]
    assert {(row["sku"], row["price"]) for row in shown} == {(frame.sku, "97.00"), (lens.sku, "35.50")}
    assert api(clerk).get(f"{LISTS}{made['id']}/").json()["row_count"] == 2
    assert [found["id"] for found in api(clerk).get(LISTS, {"on": "2026-05-01"}).json()["results"]] == [made["id"]]
    assert api(clerk).get(LISTS, {"on": "2026-03-31"}).json()["results"] == []


@pytest.mark.parametrize("first", [0, -400])
def test_a_list_in_force_or_past_is_never_changed(api, head_office, first):
    frame = FrameFactory()
    with clock.at(dt.datetime(2026, 3, 2, 12, tzinfo=dt.UTC) + dt.timedelta(days=first)):
        kept = add(None, first, first + 20 if first else None, rows=[(frame, "90.00")])
    answer = api(head_office).post(
        f"{LISTS}{kept.id}/rows/", {"rows": [{"frame": str(frame.id), "price": "1.00"}]}, format="json"
    )
    assert answer.status_code == 409
    assert answer.json()["code"] == "prices.list_in_force"
    assert ListPrice.objects.get().price == Decimal("90.00")
    assert not OutboxEvent.objects.filter(type="prices.list_priced").exists()


def test_an_open_list_takes_over_from_the_open_one(mill):
    frame = FrameFactory()
    first = add(mill, 0, rows=[(frame, "80.00")])
    add(mill, 30, rows=[(frame, "85.00")])
    first.refresh_from_db()
    assert first.valid_to == day(29)
    assert (priced(mill, frame, 29)[0], priced(mill, frame, 30)[0]) == ("80.00", "85.00")


def test_lists_of_one_scope_share_no_day(mill, quay):
    add(mill, 0)
    for first, last in ((0, None), (5, 9), (0, 0)):
        with pytest.raises(ListsOverlap):
            add(mill, first, last)
    add(quay, 5, 9)
    add(None, 5, 9)
    add(None, 5, 9, currency="EUR")
    with pytest.raises(ListsOverlap):
        add(None, 9, 12)
    with pytest.raises(ListsOverlap):
        add(None, 1)  # open, over one that has an end
    assert PriceList.objects.count() == 4


def test_an_ended_list_makes_room_for_a_sale_of_some_days(api, head_office, mill):
    kept = add(mill, 0)
    answer = api(head_office).post(f"{LISTS}{kept.id}/end/", {"valid_to": day(9).isoformat()})
    assert answer.status_code == 200, answer.content
    assert answer.json()["valid_to"] == "2026-03-11"
    assert OutboxEvent.objects.get(type="prices.list_ended").data["valid_to"] == "2026-03-11"
    again = api(head_office).post(f"{LISTS}{kept.id}/end/", {"valid_to": day(20).isoformat()})
    assert (again.status_code, again.json()["code"]) == (409, "prices.list_in_force")
    add(mill, 10, 16)
    add(mill, 17)


def test_a_list_does_not_end_in_the_past(api, head_office):
    kept = add(None, 3)
    for past in (-1, 2):
        answer = api(head_office).post(f"{LISTS}{kept.id}/end/", {"valid_to": day(past).isoformat()})
        assert (answer.status_code, answer.json()["code"]) == (422, "prices.list_days_impossible")


def test_what_cannot_be_a_list_is_refused_and_nothing_is_written(api, head_office, mill):
    frame = FrameFactory()
    row = {"frame": str(frame.id), "price": "10.00"}
    refusals = [
        (body(valid_from="2026-03-01"), 422, "prices.list_days_impossible"),
        (body(valid_to="2026-03-31"), 422, "prices.list_days_impossible"),
        (body(branch=str(mill.id), currency="EUR"), 422, "prices.list_currency"),
        (body(currency="JPY", rows=[{**row, "price": "10.50"}]), 422, "catalogue.price_not_payable"),
        (body(rows=[row, row]), 422, "prices.priced_twice"),
        (body(rows=[{"lens": str(frame.id), "price": "10.00"}]), 404, "core.not_found"),
    ]
    for asked, status, code in refusals:
        answer = api(head_office).post(LISTS, asked, format="json")
        assert (answer.status_code, answer.json()["code"]) == (status, code), answer.content
    for asked in (body(rows=[{"price": "1.00"}]), body(rows=[{**row, "lens": str(frame.id)}]), body(currency="gbp")):
        assert api(head_office).post(LISTS, asked, format="json").status_code == 400
    assert not PriceList.objects.exists()
    assert not OutboxEvent.objects.filter(type__startswith="prices.").exists()


def test_only_head_office_changes_prices_and_lists_of_others_are_not_there(api, clerk, manager, outsider, mill):
    kept = add(mill, 5)
    assert api(manager).post(LISTS, body(), format="json").status_code == 403
    assert api(manager).post(f"{LISTS}{kept.id}/end/", {"valid_to": "2026-05-01"}).status_code == 403
    assert api(clerk).get(f"{LISTS}{kept.id}/").status_code == 200
    assert api(outsider).get(f"{LISTS}{kept.id}/").status_code == 404
    assert api(outsider).get(LISTS).json()["results"] == []
    assert api(None).get(LISTS).status_code == 401


def test_lists_cost_the_same_number_of_queries_however_long(api, clerk, queries):
    frames = FrameFactory.create_batch(3)
    add(None, 0, 3, rows=[(frames[0], "1.00")])
    client = api(clerk)
    few = [queries(lambda url=url: client.get(url)) for url in (LISTS, ROWS)]
    for start in (4, 8, 12):
        add(None, start, start + 3, rows=[(frame, "2.00") for frame in frames])
    assert [queries(lambda url=url: client.get(url)) for url in (LISTS, ROWS)] == few


def test_pricing_many_articles_takes_two_queries(mill, queries):
    articles = [*FrameFactory.create_batch(4), *LensProductFactory.create_batch(4)]
    add(mill, 0, rows=[(article, "5.00") for article in articles])
    assert queries(lambda: sale_prices(branch=mill, articles=articles, day=TODAY)) == 2


moves = st.lists(
    st.tuples(st.sampled_from(["add", "end"]), st.integers(0, 30), st.one_of(st.none(), st.integers(0, 12))), max_size=8
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(moves=moves)
def test_whatever_is_added_and_ended_no_day_has_two_lists(moves, db):
    branch = BranchFactory()
    for verb, first, length in moves:
        try:
            if verb == "add":
                add(branch, first, None if length is None else first + length)
            elif (kept := of_scope(branch, "GBP").order_by("id").last()) is not None:
                price_list_end(actor=SYSTEM, price_list=kept, valid_to=day(first))
        except DomainError:
            continue
    lists = list(of_scope(branch, "GBP"))
    for offset in range(50):
        holding = [
            kept
            for kept in lists
            if kept.valid_from <= day(offset) and (kept.valid_to is None or kept.valid_to >= day(offset))
        ]
        assert len(holding) <= 1
