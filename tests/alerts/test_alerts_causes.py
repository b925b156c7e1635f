"""Each cause is raised by real rows at its threshold, not just before, and closes by itself when it is gone.

Thresholds are common practice, no source; they are data (``alerts.causes``), and these tests state the defaults.
"""

from __future__ import annotations

import datetime as dt
import json
from decimal import Decimal

import pytest
from django.urls import resolve

from opticshop.alerts.causes import CAUSES
from opticshop.alerts.kinds import RANK
from opticshop.billing.models import Settlement
from opticshop.billing.selectors import balance_of, supplied_and_owing
from opticshop.core import clock
from opticshop.customers import services as contacts
from opticshop.stock.models import Expected, StockLevel
from tests.conftest import NOON

from .conftest import (
    BEGINNINGS,
    MINUTE,
    WATCH,
    a_job,
    a_lens_order,
    a_level,
    a_message,
    alerts,
    an_order,
    change,
    evaluate,
    live,
    local,
    pay,
)

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("name", sorted(BEGINNINGS))
def test_a_cause_is_raised_at_its_threshold_and_closes_by_itself(name, mill):
    cause, make = BEGINNINGS[name]
    begun = make(mill)
    evaluate(begun.at - MINUTE)
    assert not live(cause=cause)
    if begun.begin:
        begun.begin()
    evaluate(begun.at)
    [alert] = live(cause=cause)
    assert (alert.state, alert.branch, alert.owner_role) == ("open", mill, CAUSES[cause].owner_role)
    assert alert.since <= alert.raised_at == begun.at
    assert CAUSES[cause].action
    assert CAUSES[cause].words(alert.number, alert.facts).endswith(".")
    begun.end()
    evaluate(begun.at + MINUTE)
    assert not live(cause=cause)
    [alert] = alerts(cause=cause)
    assert (alert.state, alert.closed_because, alert.closed_at) == ("closed", "cause_gone", begun.at + MINUTE)
    assert [step.kind for step in alert.steps.all()] == ["raised", "closed"]


@pytest.mark.parametrize("name", sorted(BEGINNINGS))
def test_an_alert_tells_no_name_no_address_and_no_power(name, mill):
    cause, make = BEGINNINGS[name]
    begun = make(mill)
    if begun.begin:
        begun.begin()
    evaluate(begun.at)
    [alert] = live(cause=cause)
    told = json.dumps([alert.facts, alert.number, alert.link, CAUSES[cause].words(alert.number, alert.facts)])
    for secret in ("Wren", "Alder", "example.org", "2.25", "Sorrel", "dpt"):
        assert secret not in told


@pytest.mark.parametrize("name", sorted(BEGINNINGS))
def test_what_an_alert_links_to_is_an_address_of_the_api(name, mill):
    cause, make = BEGINNINGS[name]
    begun = make(mill)
    if begun.begin:
        begun.begin()
    evaluate(begun.at)
    [alert] = live(cause=cause)
    found = resolve(alert.link.split("?")[0])
    assert found.kwargs.get("pk", "levels") in (alert.about.split("/")[1], "levels")


def severities(cause: str, *moments: dt.datetime) -> list[str]:
    found = []
    for moment in moments:
        evaluate(moment)
        found += [alert.severity for alert in live(cause=cause)]
    return found


def test_an_overdue_job_is_a_notice_before_a_warning_after_and_urgent_two_open_days_later(mill):
    a_job(mill)
    told = severities(
        "overdue_job",
        local("2026-03-02", "16:00"),
        local("2026-03-02", "17:30"),
        local("2026-03-03", "23:00"),
        local("2026-03-04", "09:00"),
    )
    assert told == ["notice", "warning", "warning", "urgent"]


def test_a_job_promised_for_monday_is_not_seen_on_friday_but_one_for_saturday_is_when_the_week_ends(mill):
    a_job(mill, dt.date(2026, 3, 9))
    a_job(mill, dt.date(2026, 3, 7))
    evaluate(local("2026-03-06", "15:00"))
    assert not live()
    evaluate(local("2026-03-06", "15:30"))
    assert [alert.facts["promised_on"] for alert in live()] == ["2026-03-07"]


def test_spectacles_on_the_shelf_grow_from_notice_to_urgent(mill):
    an_order(mill, state="ready", ready_at=NOON)
    days = ("2026-03-16", "2026-03-31", "2026-04-01", "2026-05-30", "2026-05-31")
    moments = [local(day, "10:00") for day in days]
    assert severities("uncollected", *moments) == ["notice", "notice", "warning", "warning", "urgent"]


def test_a_debt_grows_with_its_age(mill):
    an_order(mill, state="collected", collected_at=NOON)
    days = ("2026-03-09", "2026-04-01", "2026-05-31")
    assert severities("unpaid_balance", *(local(day, "10:00") for day in days)) == ["notice", "warning", "urgent"]


def test_a_lens_that_comes_too_late_for_the_promise_is_urgent(mill):
    lens = a_lens_order(mill)
    evaluate(local("2026-03-03", "10:00"))
    [alert] = live()
    assert alert.severity == "warning"
    change(lens.order, promised_on=dt.date(2026, 3, 3))
    evaluate(local("2026-03-03", "10:05"))
    [alert] = live(cause="lens_late")
    assert alert.severity == "urgent"


def test_a_lens_nobody_wants_any_more_is_not_late(mill):
    a_lens_order(mill, is_wanted=False)
    evaluate(local("2026-03-09", "10:00"))
    assert not live(cause="lens_late")


def test_a_prescription_is_urgent_once_it_has_run_out_and_a_warning_when_it_will_before_the_promise(mill):
    order = an_order(mill, promised_on=dt.date(2026, 3, 20))
    change(order.prescription, expires_on=dt.date(2026, 3, 19))
    told = severities("prescription_expiring", NOON, local("2026-03-19", "10:00"), local("2026-03-20", "10:00"))
    assert told == ["warning", "warning", "urgent"]


def test_pieces_on_order_count_and_pieces_in_quarantine_do_not(mill):
    lot = a_level(mill, on_hand=3)
    change(lot, is_quarantined=True, quarantine_reason="Scratched")
    evaluate()
    [alert] = live()
    assert (alert.severity, alert.facts["available"]) == ("warning", 0)
    Expected.objects.create(branch=mill, item=lot.item, quantity=3)
    evaluate(NOON + MINUTE)
    assert not live()


def test_a_level_that_wants_nothing_is_never_low(mill):
    lot = a_level(mill, on_hand=0)
    change(StockLevel.unscoped.get(item=lot.item), minimum=0, target=0)
    evaluate()
    assert not live()


def test_an_address_at_which_the_last_message_arrived_is_not_wrong(mill):
    order = an_order(mill, state="placed")
    a_message(order, created_at=NOON - 3 * MINUTE)
    a_message(order, kind="other", created_at=NOON - 2 * MINUTE)
    a_message(order, kind="third", state="sent", created_at=NOON - MINUTE)
    evaluate()
    assert not live(cause="wrong_address")


def test_an_address_that_is_known_to_be_somebody_elses_is_wrong_until_it_is_changed(mill):
    customer = an_order(mill).customer
    contacts.address_wrong(actor=WATCH, customer=customer, way="email", reason="Invented")
    evaluate()
    [alert] = live(cause="wrong_address")
    assert alert.about == f"customers/{customer.id}"
    change(customer, email="elsewhere@example.org")
    evaluate(NOON + MINUTE)
    assert not live(cause="wrong_address")


def test_what_the_carrier_could_not_deliver_counts_as_failed(mill):
    order = an_order(mill, state="ready", ready_at=NOON)
    for kind in ("ready_for_collection", "other"):
        a_message(order, kind=kind, state="sent", delivery="undelivered")
    evaluate()
    assert sorted(alert.cause for alert in live()) == ["message_failed", "message_failed", "wrong_address"]


def test_messages_that_failed_long_ago_are_let_go(mill):
    a_message(an_order(mill, state="ready", ready_at=NOON), created_at=NOON)
    evaluate(NOON + dt.timedelta(days=30))
    assert len(live(cause="message_failed")) == 1
    evaluate(NOON + dt.timedelta(days=30, minutes=1))
    assert not live(cause="message_failed")


def test_what_is_owed_is_what_the_balance_says(mill):
    """The one query of the watch against the reckoning of one order."""
    orders = [an_order(mill, state="collected", collected_at=NOON) for _ in range(5)]
    pay(orders[1], "100.00")
    paid = pay(orders[2], "220.00")
    for lowers, order in ((True, orders[2]), (False, orders[3])):
        first = paid if lowers else pay(order, "220.00")
        type(paid).objects.create(
            branch=mill,
            order=order,
            kind="refund",
            method="cash",
            amount=Decimal("-50.00"),
            currency="GBP",
            refunds=first,
            reason="Invented",
            lowers_price=lowers,
            taken_at=NOON,
        )
    Settlement.objects.create(
        branch=mill,
        order=orders[4],
        kind="write_off",
        amount=Decimal("20.00"),
        currency="GBP",
        borne_as="goodwill",
        reason="Invented",
        settled_on=NOON.date(),
    )
    found = supplied_and_owing(mill, collected_from=NOON, collected_before=NOON + MINUTE)
    owed = {order.id: order.owed for order in found}
    assert owed == {order.id: balance_of(order).due for order in orders if balance_of(order).due > 0}
    assert len(owed) == 4


def test_every_threshold_says_what_it_rests_on():
    for cause in CAUSES.values():
        for each in cause.thresholds:
            assert each.source
            assert each.confidence in ("low", "medium", "high")
            assert each.lowest <= each.default <= each.highest


def test_another_branch_sees_to_its_own(mill, quay):
    a_job(quay, dt.date(2026, 2, 27))
    evaluate(branch=mill)
    assert not live()
    evaluate(branch=quay)
    assert [alert.branch for alert in live()] == [quay]
    assert set(RANK) == {"notice", "warning", "urgent"}


def test_a_branch_in_another_zone_goes_by_its_own_day(mill):
    mill.time_zone = "Pacific/Auckland"
    mill.save()
    an_order(mill, state="ready", ready_at=dt.datetime(2026, 3, 1, 22, 0, tzinfo=dt.UTC))  # Monday 11:00 there
    evaluate(dt.datetime(2026, 3, 15, 10, 59, tzinfo=dt.UTC))
    assert not live()
    evaluate(dt.datetime(2026, 3, 15, 11, 0, tzinfo=dt.UTC))  # Monday 16 March, 00:00 there
    assert len(live()) == 1
    assert clock.now() == NOON
