"""The day of a till: float, counts, over and short, close and reopen, and nothing posted into a closed day."""

from __future__ import annotations

import datetime as dt
import uuid
from decimal import Decimal as D

import pytest
from django.db import DatabaseError, IntegrityError, transaction

from opticshop.billing import denominations, selectors, services
from opticshop.billing.models import Payment, TillDay, TillEntry
from opticshop.core import actor, clock
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON
from tests.factories import OrderFactory

from .books import balance, cash_in_tills, journal

pytestmark = pytest.mark.django_db
URL = "/api/v1/till-days/"
SYSTEM = actor.system("test")


@pytest.fixture
def order(mill):
    return OrderFactory(customer__branch=mill)


@pytest.fixture
def open_day(mill):
    return services.till_open(actor=SYSTEM, branch=mill, amount=D("60.00"))


def post(client, path="", key=None, **body):
    return client.post(f"{URL}{path}", body, headers={"Idempotency-Key": key or uuid.uuid4().hex})


def take(order, amount="50.00", method="cash", **more):
    return services.payment_take(actor=SYSTEM, order=order, amount=D(amount), method=method, **more)


def count(till_day, amount):
    return services.till_count(actor=SYSTEM, till_day=till_day, amount=D(amount))


def next_day(days=1):
    return clock.at(NOON + dt.timedelta(days=days))


def test_a_day_from_float_to_close_through_the_api(api, clerk, mill, order):
    client = api(clerk)
    opened = post(client, branch=str(mill.id), pieces={"10": 3, "5": 4, "1.00": 8, "0.5": 4})
    assert opened.status_code == 201, opened.content
    day = opened.json()
    assert (day["state"], day["opening_float"], day["carried"], day["is_float_counted"]) == (
        "open",
        "60.00",
        "0.00",
        True,
    )
    assert day["entries"][0]["pieces"] == {"10.00": 3, "5.00": 4, "1.00": 8, "0.50": 4}
    take(order, "50.00")
    take(order, "20.00", "card")
    moved = post(client, f"{day['id']}/pay-out/", amount="4.20", purpose="petty_cash", reason="Stamps")
    assert moved.status_code == 201, moved.content
    seen = client.get(f"{URL}{day['id']}/").json()
    assert (seen["taken_cash"], seen["taken_card"], seen["expected"]) == ("50.00", "20.00", "105.80")
    counted = post(client, f"{day['id']}/count/", pieces={"50": 1, "20": 2, "10": 1, "5": 1, "0.50": 1})
    assert (counted.status_code, counted.json()["amount"], counted.json()["expected"]) == (201, "105.50", "105.80")
    closed = post(client, f"{day['id']}/close/", banked="45.50").json()
    assert (closed["state"], closed["difference"], closed["left_over"]) == ("closed", "-0.30", "60.00")
    assert balance("till_difference") == D("0.30"), "short: a loss"
    assert balance("cash") == D("60.00") == cash_in_tills()
    assert balance("petty_cash") == D("4.20")
    assert balance("bank") == D("45.50") - D("60.00"), "the first float came from the bank"
    assert [e["kind"] for e in closed["entries"]] == ["opened", "paid_out", "counted", "closed", "paid_out"]
    told = OutboxEvent.objects.filter(type__startswith="billing.till").values_list("type", flat=True)
    assert sorted(told) == [f"billing.till_{what}" for what in ("cash_moved", "closed", "counted", "opened")]


def test_the_first_money_of_a_day_opens_it_and_says_so(api, clerk, order):
    """Nobody is kept from paying because nobody counted a float."""
    payment = take(order, "50.00")
    day = payment.till_day
    assert (day.state, day.is_float_counted, day.carried, day.opening_float) == ("open", False, D("0.00"), D("0.00"))
    seen = api(clerk).get(f"{URL}{day.id}/").json()
    assert (seen["is_float_counted"], seen["expected"], seen["entries"]) == (False, "50.00", [])


def test_the_next_day_carries_what_the_day_before_left(order, open_day):
    take(order, "50.00")
    count(open_day, "109.00")
    services.till_close(actor=SYSTEM, till_day=open_day, banked=D("49.00"))
    with next_day():
        day = take(order, "10.00").till_day
    assert (day.carried, day.opening_float) == (D("60.00"), D("60.00"))
    assert selectors.expected_cash(day) == D("70.00") == balance("cash")


def test_a_day_that_nobody_closed_lapses_and_leaves_what_should_be_there(order, open_day):
    take(order, "50.00")
    with next_day():
        day = take(order, "10.00").till_day
    open_day.refresh_from_db()
    assert (open_day.state, open_day.expected, open_day.counted, open_day.difference) == ("lapsed", D(110), None, None)
    assert (day.carried, selectors.expected_cash(day)) == (D("110.00"), D("120.00"))
    assert balance("cash") == D("120.00") == cash_in_tills()
    with pytest.raises(services.TillDayClosed), next_day():
        count(open_day, "110.00")


def test_a_clock_that_is_behind_takes_no_day_back(order):
    """Two servers around midnight: the day that has begun goes on."""
    with next_day():
        begun = take(order).till_day
    assert take(order).till_day == begun
    assert TillDay.objects.everywhere("test").count() == 1


def test_a_float_that_differs_from_what_was_left_is_over_or_short(mill, order):
    take(order, "50.00")
    with next_day():
        services.till_open(actor=SYSTEM, branch=mill, amount=D("48.50"))
    assert balance("till_difference") == D("1.50")
    assert balance("cash") == D("48.50") == cash_in_tills()


def test_nothing_is_posted_into_a_closed_day(api, manager, clerk, order, open_day):
    payment = take(order, "50.00")
    count(open_day, "110.00")
    services.till_close(actor=SYSTEM, till_day=open_day)
    events = OutboxEvent.objects.count()
    body = {"order": str(order.id), "amount": "10.00", "method": "card"}
    refused = api(clerk).post("/api/v1/payments/", body, headers={"Idempotency-Key": "late"})
    assert (refused.status_code, refused.json()["code"]) == (409, "billing.till_day_closed")
    assert "reopen" in refused.json()["detail"]
    back = api(manager).post(
        f"/api/v1/payments/{payment.id}/refund/", {"reason": "late"}, headers={"Idempotency-Key": "late"}
    )
    assert (back.status_code, back.json()["code"]) == (409, "billing.till_day_closed")
    for refused_call in (
        lambda: count(open_day, "1.00"),
        lambda: services.till_close(actor=SYSTEM, till_day=open_day),
        lambda: services.till_pay_in(actor=SYSTEM, till_day=open_day, amount=D(1), purpose="bank", reason="x"),
    ):
        with pytest.raises(services.TillDayClosed):
            refused_call()
    assert Payment.objects.everywhere("test").count() == 1
    assert OutboxEvent.objects.count() == events
    assert balance("cash") == D("110.00")


def test_a_manager_reopens_with_a_reason_and_over_and_short_are_taken_back(api, clerk, manager, order, open_day):
    count(open_day, "61.00")
    services.till_close(actor=SYSTEM, till_day=open_day, banked=D("11.00"))
    assert balance("till_difference") == D("-1.00")
    assert post(api(clerk), f"{open_day.id}/reopen/", reason="x").status_code == 403
    assert post(api(manager), f"{open_day.id}/reopen/", reason="  ").status_code == 400
    again = post(api(manager), f"{open_day.id}/reopen/", reason="A refund after closing")
    assert again.status_code == 200, again.content
    assert (again.json()["state"], again.json()["expected"], again.json()["difference"]) == ("open", "49.00", None)
    assert balance("till_difference") == 0
    take(order, "5.00")
    with pytest.raises(services.TillNotCounted):
        services.till_close(actor=SYSTEM, till_day=open_day)
    count(open_day, "54.00")
    services.till_close(actor=SYSTEM, till_day=open_day)
    assert balance("cash") == D("54.00") == cash_in_tills()


def test_a_day_that_a_later_one_stands_on_is_not_reopened(order, open_day):
    count(open_day, "60.00")
    services.till_close(actor=SYSTEM, till_day=open_day)
    with next_day():
        take(order)
        with pytest.raises(services.TillMovedOn):
            services.till_reopen(actor=SYSTEM, till_day=open_day, reason="forgot something")


def test_closing_needs_a_count_since_the_last_cash(order, open_day):
    with pytest.raises(services.TillNotCounted):
        services.till_close(actor=SYSTEM, till_day=open_day)
    count(open_day, "60.00")
    take(order, "5.00", "card")
    payment = take(order, "5.00")
    with pytest.raises(services.TillNotCounted) as caught:
        services.till_close(actor=SYSTEM, till_day=open_day)
    assert caught.value.extra == {"expected": "65.00"}
    services.payment_refund(actor=SYSTEM, payment=payment, reason="test")
    assert services.till_close(actor=SYSTEM, till_day=open_day).difference == 0, "the cash is as it was counted"


def test_no_more_cash_leaves_than_is_there(open_day):
    with pytest.raises(services.NotThatMuchCash):
        services.till_pay_out(actor=SYSTEM, till_day=open_day, amount=D("60.01"), purpose="bank", reason="x")
    count(open_day, "60.00")
    with pytest.raises(services.NotThatMuchCash):
        services.till_close(actor=SYSTEM, till_day=open_day, banked=D("60.01"))
    assert TillDay.objects.everywhere("test").get().state == "open"


def test_a_second_till_is_opened_by_somebody(api, clerk, mill, order, open_day):
    with pytest.raises(services.TillNotOpen):
        take(order, till="desk-2")
    assert post(api(clerk), branch=str(mill.id), till="desk-2", amount="20.00").status_code == 201
    assert take(order, till="desk-2").till_day.till == "desk-2"
    assert selectors.expected_cash(open_day) == D("60.00")
    assert balance("cash") == D("130.00") == cash_in_tills()
    twice = post(api(clerk), branch=str(mill.id), till="desk-2", amount="20.00")
    assert (twice.status_code, twice.json()["code"]) == (409, "billing.till_already_open")


def test_cash_that_moves_is_booked_once_for_its_entry(open_day):
    entry = services.till_pay_in(actor=SYSTEM, till_day=open_day, amount=D("40.00"), purpose="bank", reason="Coins")
    assert journal(f"till-entries/{entry.id}") == {"cash": D("40.00"), "bank": D("-40.00")}


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({"pieces": {"3": 1}}, 422, "billing.no_such_denomination"),
        ({"pieces": {"ten": 1}}, 400, "core.malformed"),
        ({"pieces": {"1": -1}}, 400, "core.malformed"),
        ({"pieces": {"1": 1}, "amount": "1.00"}, 422, "billing.count_unclear"),
        ({}, 422, "billing.count_unclear"),
        ({"amount": "-1.00"}, 400, "core.malformed"),
        ({"amount": "1.005"}, 400, "core.malformed"),
    ],
)
def test_counts_that_cannot_be_are_refused(api, clerk, open_day, body, status, code):
    response = api(clerk).post(
        f"{URL}{open_day.id}/count/", body, format="json", headers={"Idempotency-Key": uuid.uuid4().hex}
    )
    assert (response.status_code, response.json()["code"]) == (status, code)
    assert TillEntry.objects.filter(kind="counted").count() == 0


def test_a_currency_whose_coins_are_not_known_is_counted_as_one_amount(mill):
    mill.currency = "SEK"
    mill.save()
    with pytest.raises(denominations.NoSuchDenomination):
        services.till_open(actor=SYSTEM, branch=mill, pieces={"10": 1})
    assert services.till_open(actor=SYSTEM, branch=mill, amount=D("500.00")).opening_float == D("500.00")


def test_who_may_do_what_with_a_till(api, hand, bookkeeper, outsider, clerk, mill, open_day):
    for someone, read, write in ((hand, 403, 403), (bookkeeper, 200, 403), (outsider, 404, 404), (None, 401, 401)):
        client = api(someone)
        assert client.get(f"{URL}{open_day.id}/").status_code == read
        assert post(client, f"{open_day.id}/count/", amount="1.00").status_code == write
        assert post(client, branch=str(mill.id), till="desk-9", amount="1.00").status_code == write
    assert api(outsider).get(URL).json()["results"] == []
    bare = api(clerk).post(f"{URL}{open_day.id}/count/", {"amount": "1.00"})
    assert (bare.status_code, bare.json()["code"]) == (400, "core.idempotency_key_missing")
    first, second = (post(api(clerk), f"{open_day.id}/count/", key="once", amount="1.00") for _ in range(2))
    assert first.json() == second.json()
    assert TillEntry.objects.filter(kind="counted").count() == 1


def test_the_list_costs_the_same_for_one_day_and_for_five(api, clerk, order, queries):
    client = api(clerk)
    take(order, "1.00")
    one = queries(lambda: client.get(URL))
    for days in range(1, 5):
        with next_day(days):
            services.till_pay_in(
                actor=SYSTEM, till_day=take(order, "1.00").till_day, amount=D(1), purpose="bank", reason="x"
            )
    assert queries(lambda: client.get(URL)) == one
    assert len(client.get(f"{URL}?state=lapsed&day_from=2026-03-03").json()["results"]) == 3


def test_the_database_keeps_one_open_day_and_its_entries(mill, open_day):
    columns = {"branch": mill, "currency": "GBP", "carried": 0, "opening_float": 0, "is_float_counted": False}
    for more in ({"day": open_day.day}, {"day": open_day.day + dt.timedelta(days=1)}):
        with pytest.raises(IntegrityError), transaction.atomic():
            TillDay.objects.create(opened_at=NOON, **columns, **more)
    with pytest.raises(DatabaseError), transaction.atomic():
        TillEntry.objects.update(amount=0)
