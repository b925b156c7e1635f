"""Quotations: a price kept for some days, accepted once, or not any more."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from opticshop.catalogue.models import TaxRate
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.orders import quotations_services
from opticshop.orders.models import Order, Quotation
from opticshop.prices.promotions_models import PromotionUse
from opticshop.stock.models import Reservation
from tests.factories import LensProductFactory, LensSurfaceFactory
from tests.orders.conftest import SYSTEM
from tests.orders.test_orders_pricing import more_stock, priced_list, promotion, treatment

pytestmark = pytest.mark.django_db
URL = "/api/v1/quotes/"


def on(day: int, month: int = 3):
    return clock.at(dt.datetime(2026, month, day, 12, tzinfo=dt.UTC))


def quoted(api, user, world, **more):
    answer = api(user).post(URL, world.body(**more), format="json")
    assert answer.status_code == 201, answer.content
    return answer.json()


def accept(api, user, quote, **more):
    return api(user).post(f"{URL}{quote['id']}/accept/", more, format="json")


def test_a_quotation_is_priced_like_an_order_and_reserves_nothing(api, clerk, world):
    quote = quoted(api, clerk, world)
    assert (quote["number"], quote["state"]) == ("MILL-Q-2026-00001", "open")
    assert (quote["total"], quote["tax_total"], quote["valid_to"]) == ("220.00", "26.67", "2026-04-01")
    assert quote["lines"][0]["reasons"][0]["words"] == "Price of the catalogue"
    assert not Reservation.objects.everywhere("test").exists()
    assert not Order.objects.everywhere("test").exists()
    assert OutboxEvent.objects.get(type="orders.quoted").data == {
        "quotation": quote["id"],
        "number": quote["number"],
        "valid_to": "2026-04-01",
    }


def test_it_is_accepted_at_its_price_whatever_the_prices_are_now(api, clerk, world):
    item = treatment()
    quote = quoted(api, clerk, world, treatments=[str(item.id)])
    priced_list(world, (world.frame, "195.00"), (item, "99.00"))
    world.frame.price = Decimal("500.00")
    world.frame.save()
    with on(20):
        answer = accept(api, clerk, quote)
    assert answer.status_code == 201, answer.content
    order = answer.json()
    assert (order["total"], order["quotation"], order["number"]) == ("244.00", quote["id"], "MILL-O-2026-00001")
    names = ("kind", "sku", "quantity", "unit_price", "gross", "reasons", "tax")
    assert [{name: line[name] for name in names} for line in order["lines"]] == [
        {name: line[name] for name in names} for line in quote["lines"]
    ]
    assert Reservation.objects.everywhere("test").count() == 3
    found = api(clerk).get(f"{URL}{quote['id']}/").json()
    assert (found["state"], found["order"]) == ("accepted", order["id"])
    assert OutboxEvent.objects.get(type="orders.quotation_accepted").data["order"] == order["id"]


def test_the_tax_within_the_quoted_price_is_that_of_the_day_it_is_accepted(api, clerk, world):
    """An invented change of the rate: which rate holds is for local law; the price the customer was told stays."""
    quote = quoted(api, clerk, world)
    TaxRate.objects.create(
        jurisdiction="GB",
        category="standard",
        percent=Decimal("25"),
        valid_from=dt.date(2026, 3, 10),
        source="invented",
        confidence="test data",
    )
    with on(12):
        order = accept(api, clerk, quote).json()
    assert order["total"] == "220.00"
    assert order["tax_total"] == "32.00"  # 95 / 5 + 2 x 32.50 / 5


def test_it_is_never_accepted_twice(api, clerk, world):
    more_stock(world)
    quote = quoted(api, clerk, world)
    assert accept(api, clerk, quote).status_code == 201
    answer = accept(api, clerk, quote)
    assert (answer.status_code, answer.json()["code"]) == (409, "core.move_not_allowed")
    assert Order.objects.everywhere("test").count() == 1


def test_the_last_day_is_the_branchs_and_after_it_is_too_late(api, clerk, world):
    quote = quoted(api, clerk, world, valid_days=2)
    with clock.at(dt.datetime(2026, 3, 5, 0, 0, tzinfo=dt.UTC)):
        answer = accept(api, clerk, quote)
        assert (answer.status_code, answer.json()["code"]) == (409, "orders.quotation_expired")
        assert not Order.objects.everywhere("test").exists()
    with clock.at(dt.datetime(2026, 3, 4, 23, 59, tzinfo=dt.UTC)):
        assert accept(api, clerk, quote).status_code == 201


def test_an_article_that_is_no_longer_sold_refuses_it(api, clerk, world):
    quote = quoted(api, clerk, world)
    world.lens.is_active = False
    world.lens.save()
    answer = accept(api, clerk, quote)
    assert (answer.status_code, answer.json()["code"]) == (409, "orders.quoted_articles_gone")
    assert world.lens.sku in answer.json()["detail"]
    assert api(clerk).get(f"{URL}{quote['id']}/").json()["state"] == "open"


def test_what_refuses_the_order_leaves_the_quotation_open(api, clerk, world):
    one, other = quoted(api, clerk, world), quoted(api, clerk, world)
    assert accept(api, clerk, one).status_code == 201
    assert accept(api, clerk, other).status_code == 409  # the one frame is taken
    assert api(clerk).get(f"{URL}{other['id']}/").json()["state"] == "open"
    assert OutboxEvent.objects.filter(type="orders.quotation_accepted").count() == 1


def test_a_promotion_is_used_when_the_quotation_is_accepted(api, clerk, world):
    more_stock(world)
    promotion(once_per_customer=True, valid_to=dt.date(2026, 3, 5))
    one = quoted(api, clerk, world, promotion_code="SPRING")
    other = quoted(api, clerk, world, promotion_code="SPRING")
    assert (one["total"], one["promotion_code"]) == ("200.00", "SPRING")
    assert not PromotionUse.objects.everywhere("test").exists()
    with on(20):  # the offer ran out in the meantime; the quotation did not
        order = accept(api, clerk, one)
        assert order.status_code == 201, order.content
        assert order.json()["total"] == "200.00"
        refused = accept(api, clerk, other)
        assert (refused.status_code, refused.json()["code"]) == (422, "prices.promotion_not_applicable")
    use = PromotionUse.objects.everywhere("test").get()
    assert (use.document, use.amount) == (f"orders/{order.json()['id']}", Decimal("20.00"))


def test_it_can_be_withdrawn_with_a_reason_while_it_is_open(api, clerk, world):
    quote = quoted(api, clerk, world)
    path = f"{URL}{quote['id']}/withdraw/"
    assert api(clerk).post(path, {}).status_code == 400
    answer = api(clerk).post(path, {"reason": "Customer decided against it"})
    assert (answer.status_code, answer.json()["state"]) == (200, "withdrawn")
    assert OutboxEvent.objects.get(type="orders.quotation_withdrawn").data["reason"] == "Customer decided against it"
    assert api(clerk).post(path, {"reason": "Again"}).status_code == 409
    assert accept(api, clerk, quote).status_code == 409


def test_the_duty_marks_what_has_expired_and_is_harmless_twice(api, clerk, world):
    short, long = quoted(api, clerk, world, valid_days=1), quoted(api, clerk, world, valid_days=60)
    with on(3):
        assert run_duty("orders.expire_quotations") == 0  # today is its last day
    with on(4):
        assert run_duty("orders.expire_quotations") == 1
        assert run_duty("orders.expire_quotations") == 0
        assert accept(api, clerk, short).json()["code"] == "core.move_not_allowed"
    states = dict(Quotation.objects.everywhere("test").values_list("id", "state"))
    assert {str(key): state for key, state in states.items()} == {short["id"]: "expired", long["id"]: "open"}
    assert OutboxEvent.objects.filter(type="orders.quotation_expired").count() == 1


def test_what_cannot_be_made_is_not_quoted(api, clerk, world):
    small = LensProductFactory(sphere_min_dpt=Decimal("-10"), diameter_mm=55, usable_diameter_mm=53)
    LensSurfaceFactory(product=small, sphere_from_dpt=Decimal("-10"))
    body = world.body(lenses={"right": str(small.id), "left": str(small.id)})
    answer = api(clerk).post(URL, body, format="json")
    assert (answer.status_code, answer.json()["code"]) == (409, "orders.does_not_cut_out")
    assert api(clerk).post(URL, world.body(valid_days=0), format="json").status_code == 400
    answer = api(clerk).post(URL, world.body(promised_on="2026-03-09"), format="json")
    assert answer.status_code == 400  # a day is promised when it is accepted
    assert not Quotation.objects.everywhere("test").exists()


def test_quotations_are_found_by_customer_and_state_in_a_constant_number_of_queries(api, clerk, world, queries):
    client = api(clerk)
    quoted(api, clerk, world)
    asked = {"customer": str(world.customer.id), "state": "open"}
    few = queries(lambda: client.get(URL, asked))
    for _ in range(3):
        quoted(api, clerk, world)
    assert queries(lambda: client.get(URL, asked)) == few
    assert len(client.get(URL, asked).json()["results"]) == 4
    assert client.get(URL, {"state": "expired"}).json()["results"] == []


def test_others_do_not_see_it_and_not_everybody_quotes(api, clerk, hand, outsider, world):
    quote = quoted(api, clerk, world)
    assert api(outsider).get(f"{URL}{quote['id']}/").status_code == 404
    assert accept(api, outsider, quote).status_code == 404
    assert api(outsider).get(URL).json()["results"] == []
    assert api(hand).post(URL, world.body(), format="json").status_code == 403
    assert api(hand).get(f"{URL}{quote['id']}/").status_code == 200
    assert accept(api, hand, quote).status_code == 403


def test_the_same_key_accepts_once(api, clerk, world):
    quote = quoted(api, clerk, world)
    client = api(clerk)
    path = f"{URL}{quote['id']}/accept/"
    first = client.post(path, {}, format="json", headers={"Idempotency-Key": "k1"})
    again = client.post(path, {}, format="json", headers={"Idempotency-Key": "k1"})
    assert first.status_code == again.status_code == 201
    assert first.content == again.content


def test_a_promised_day_is_given_with_the_acceptance(api, clerk, world):
    quote = quoted(api, clerk, world)
    order = accept(api, clerk, quote, promised_on="2026-03-16").json()
    assert order["promised_on"] == "2026-03-16"


def test_expiring_needs_nobody(world):
    assert quotations_services.quotations_expire(actor=SYSTEM) == 0


@pytest.mark.parametrize(
    ("column", "code"), [("erased_at", "customers.erased"), ("restricted_at", "customers.restricted")]
)
def test_nothing_is_ordered_by_an_old_offer_for_who_is_erased_or_restricted(api, clerk, world, column, code):
    quote = quoted(api, clerk, world)
    Customer.objects.everywhere("test").filter(id=quote["customer"]).update(**{column: clock.now()})
    answer = accept(api, clerk, quote)
    assert (answer.status_code, answer.data["code"]) == (409, code)
    assert not Order.objects.everywhere("test").exists()
