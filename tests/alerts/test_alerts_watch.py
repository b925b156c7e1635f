"""Raised once, followed, woken, escalated, closed; whatever the calendar, and whoever else is watching."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.alerts import services
from opticshop.alerts.hours import Place
from opticshop.alerts.models import AlertStep
from opticshop.branches.calendars import ORDINARY_WEEK, Calendar
from opticshop.branches.models import Branch, Closure
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.errors import Busy
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON
from tests.together import afterwards, at_once

from .conftest import (
    LONDON,
    MINUTE,
    WATCH,
    a_job,
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


def told(*kinds: str) -> list[str]:
    types = [f"alerts.{kind}" for kind in kinds]
    return list(OutboxEvent.objects.filter(type__in=types).order_by("id").values_list("type", flat=True))


@pytest.mark.django_db
def test_an_alert_is_raised_once_however_often_the_duty_runs(overdue):
    assert run_duty("alerts.evaluate") == 1
    assert run_duty("alerts.evaluate") == 0
    [alert] = live()
    assert told("raised", "closed") == ["alerts.raised"]
    assert alert.about == f"jobs/{overdue.id}"


@pytest.mark.django_db
def test_a_cause_that_comes_back_is_a_new_alert(overdue):
    evaluate()
    change(overdue, state="finished")
    evaluate(NOON + MINUTE)
    change(overdue, state="open")
    evaluate(NOON + 2 * MINUTE)
    assert [alert.state for alert in alerts()] == ["closed", "open"]


@pytest.mark.django_db
def test_events_name_ids_and_severities_only(overdue):
    evaluate()
    event = OutboxEvent.objects.get(type="alerts.raised")
    [alert] = live()
    assert event.subject == f"alerts/{alert.id}"
    assert event.branch_id == alert.branch_id
    assert event.data == {
        "alert": str(alert.id),
        "cause": "overdue_job",
        "about": f"jobs/{overdue.id}",
        "severity": "warning",
        "owner_role": "workshop",
        "owner": None,
    }


@pytest.mark.django_db
def test_who_has_acknowledged_keeps_it_while_it_grows(overdue, hand, actor_of):
    evaluate()
    services.alert_acknowledge(actor=actor_of(hand), alert=live()[0])
    evaluate(NOON + dt.timedelta(days=3))
    [alert] = live()
    assert (alert.state, alert.severity, alert.owner, alert.level) == ("acknowledged", "urgent", hand, 0)
    assert told("severity_changed") == ["alerts.severity_changed"]


@pytest.mark.django_db
def test_an_alert_put_off_opens_again_at_its_moment_and_waits_anew(overdue, hand, actor_of):
    evaluate()
    until = local("2026-03-04", "09:00")
    services.alert_snooze(actor=actor_of(hand), alert=live()[0], until=until)
    evaluate(until - MINUTE)
    assert live()[0].state == "acknowledged"
    evaluate(until)
    [alert] = live()
    assert (alert.state, alert.snoozed_until, alert.level) == ("open", None, 0)
    evaluate(local("2026-03-04", "12:59"))
    assert live()[0].level == 0
    evaluate(local("2026-03-04", "13:00"))
    assert live()[0].level == 1


@pytest.mark.django_db
def test_closed_by_hand_it_stays_closed_until_the_cause_is_gone_and_comes_again(mill, clerk, actor_of):
    order = an_order(mill, state="ready", ready_at=NOON)
    message = a_message(order)
    evaluate()
    services.alert_close(actor=actor_of(clerk), alert=live()[0], reason="Told by telephone")
    evaluate(NOON + MINUTE)
    assert not live()
    change(message, state="sent")
    evaluate(NOON + 2 * MINUTE)
    change(message, state="failed")
    evaluate(NOON + 3 * MINUTE)
    assert [alert.state for alert in alerts()] == ["closed", "open"]


@pytest.mark.django_db
def test_closed_by_hand_it_comes_back_when_it_grows_more_severe(mill, clerk, actor_of):
    message = a_message(an_order(mill, state="ready", ready_at=NOON), purpose="recall")
    evaluate()
    assert live()[0].severity == "notice"
    services.alert_close(actor=actor_of(clerk), alert=live()[0], reason="Told by telephone")
    change(message, purpose="service")
    evaluate(NOON + MINUTE)
    assert [(alert.state, alert.severity, alert.holds_back) for alert in alerts()] == [
        ("closed", "notice", False),
        ("open", "warning", False),
    ]


@pytest.mark.django_db
def test_a_branch_that_closes_down_has_its_alerts_closed(overdue, mill):
    evaluate()
    Branch.objects.filter(id=mill.id).update(is_active=False)
    evaluate(NOON + MINUTE)
    [alert] = alerts()
    assert (alert.state, alert.closed_because) == ("closed", "switched_off")


@pytest.mark.django_db
def test_one_broken_cause_does_not_hide_the_others(overdue, monkeypatch):
    from opticshop.alerts.causes import CAUSES

    class Broken:
        name, thresholds, owner_role, needs = "lens_late", (), "manager", "purchasing.view"

        def find(self, place, given):
            raise RuntimeError("broken for the test")

    monkeypatch.setitem(CAUSES, "lens_late", Broken())
    evaluate()
    assert [alert.cause for alert in live()] == ["overdue_job"]


# --- escalation ---


def first_level_at(mill, raised: dt.datetime, *moments: dt.datetime) -> list[int]:
    """The level of one alert after each evaluation."""
    a_job(mill, raised.astimezone(LONDON).date() - dt.timedelta(days=14))
    levels = []
    for moment in (raised, *moments):
        evaluate(moment)
        levels.append(live()[0].level)
    return levels


@pytest.mark.django_db
def test_what_nobody_takes_up_goes_to_the_manager_then_to_head_office_once_each(mill):
    raised = local("2026-03-02", "10:00")
    moments = [local("2026-03-02", at) for at in ("13:59", "14:00", "14:05", "17:29", "17:30")]
    moments += [local("2026-03-03", "09:29"), local("2026-03-03", "09:30"), local("2026-03-06", "17:00")]
    assert first_level_at(mill, raised, *moments) == [0, 0, 1, 1, 1, 1, 1, 2, 2]
    events = OutboxEvent.objects.filter(type="alerts.escalated").order_by("id")
    assert [(event.data["level"], event.data["to"]) for event in events] == [(1, "manager"), (2, "head_office")]


@pytest.mark.django_db
def test_hours_of_a_weekend_do_not_count(mill):
    # Friday 16:00 to 17:30 is an hour and a half; two and a half more on Monday.
    moments = [local("2026-03-07", "12:00"), local("2026-03-09", "11:29"), local("2026-03-09", "11:30")]
    assert first_level_at(mill, local("2026-03-06", "16:00"), *moments) == [0, 0, 0, 1]


@pytest.mark.django_db
def test_hours_of_a_closure_and_of_public_holidays_do_not_count(mill):
    # Good Friday and Easter Monday 2026 are 3 and 6 April (bank holidays of England, gov.uk, from memory).
    mill.subdivision = "ENG"
    mill.save()
    Closure.objects.create(branch=mill, first_on="2026-04-07", last_on="2026-04-07", reason="Stocktaking")
    moments = [local("2026-04-07", "16:00"), local("2026-04-08", "11:29"), local("2026-04-08", "11:30")]
    assert first_level_at(mill, local("2026-04-02", "16:00"), *moments) == [0, 0, 0, 1]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("friday", "monday"), [("2026-03-27", "2026-03-30"), ("2026-10-23", "2026-10-26")], ids=["to summer", "to winter"]
)
def test_working_hours_over_a_change_of_the_clocks_are_those_on_the_wall(mill, friday, monday):
    """Clocks change on the last Sundays of March and October, 01:00 UTC (Directive 2000/84/EC; UK keeps the same)."""
    moments = [local(monday, "11:29"), local(monday, "11:30")]
    assert first_level_at(mill, local(friday, "16:00"), *moments) == [0, 0, 1]


@pytest.mark.django_db
@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"], ids=["to summer", "to winter"])
def test_a_branch_open_through_the_night_of_the_change_counts_real_hours(mill, day):
    """Opens at 00:30 that Sunday: from then four hours pass on the clocks of the world, five or three on the wall."""
    mill.opening_hours.create(weekday=6, opens_at=dt.time(0, 30), closes_at=dt.time(23))
    raised = local(day, "00:30").astimezone(dt.UTC)
    later = raised + dt.timedelta(hours=4)
    assert first_level_at(mill, raised, later - MINUTE, later) == [0, 0, 1]


@pytest.mark.django_db
def test_what_is_acknowledged_is_not_escalated(overdue, hand, actor_of):
    evaluate()
    services.alert_acknowledge(actor=actor_of(hand), alert=live()[0])
    evaluate(NOON + dt.timedelta(days=7))
    assert live()[0].level == 0


@settings(max_examples=120, deadline=None)
@given(
    minutes=st.integers(0, 60 * 24 * 40),
    hours=st.integers(1, 60),
    zone=st.sampled_from(["Europe/London", "America/New_York", "Pacific/Auckland"]),
    start=st.sampled_from([dt.datetime(2026, 3, 1, tzinfo=dt.UTC), dt.datetime(2026, 10, 1, tzinfo=dt.UTC)]),
)
def test_working_hours_ago_is_the_inverse_of_working_minutes(minutes, hours, zone, start):
    """Two reckonings written apart: the calendar counts forward day by day, the watch walks back."""
    closed = [(dt.date(2026, 3, 10), dt.date(2026, 3, 12), "test"), (dt.date(2026, 10, 14), dt.date(2026, 10, 14), "x")]
    calendar = Calendar(zone=zone, hours=ORDINARY_WEEK, closures=closed)
    now = start + dt.timedelta(minutes=minutes)
    moment = Place(Branch(time_zone=zone), calendar, now).working_hours_ago(hours)
    assert moment is not None
    assert calendar.working_minutes(moment, now) == pytest.approx(hours * 60)
    assert calendar.working_minutes(moment + MINUTE, now) < hours * 60


# --- cost ---


def many(mill, count: int) -> None:
    for _ in range(count):
        a_job(mill, dt.date(2026, 2, 27))
        pay(an_order(mill, state="collected", collected_at=NOON - dt.timedelta(days=20)), "20.00")
        a_message(an_order(mill, state="ready", ready_at=NOON - dt.timedelta(days=20)))
        a_level(mill, on_hand=0)


@pytest.mark.django_db
def test_the_number_of_queries_does_not_grow_with_what_there_is_to_see(mill, queries):
    many(mill, 1)
    first_raise = queries(evaluate)
    settled = queries(lambda: evaluate(NOON + MINUTE))
    many(mill, 9)
    ten_raises = queries(lambda: evaluate(NOON + 2 * MINUTE))
    assert len(live()) == 50
    assert queries(lambda: evaluate(NOON + 3 * MINUTE)) == settled <= 45
    assert ten_raises == first_raise


@pytest.mark.django_db
def test_what_the_history_says_cannot_be_rewritten(overdue):
    evaluate()
    with pytest.raises(Exception, match="append-only"):
        AlertStep.objects.update(note="never happened")


# --- at once ---


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_watches_at_once_raise_and_close_each_thing_once(mill):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    jobs = [a_job(mill, dt.date(2026, 2, 27)) for _ in range(20)]
    watch = lambda: services.alerts_evaluate(actor=WATCH)  # noqa: E731
    assert sum(at_once([watch] * 3)) == 20
    assert len(afterwards(live)) == 20
    assert afterwards(lambda: told("raised")) == ["alerts.raised"] * 20
    for job in jobs:
        change(job, state="finished")
    at_once([watch] * 3)
    assert not afterwards(live)
    assert afterwards(lambda: told("closed")) == ["alerts.closed"] * 20


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_of_two_hands_at_once_one_acknowledges(mill, hand, clerk, actor_of):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    a_job(mill, dt.date(2026, 2, 27))
    evaluate()
    [alert] = live()
    hands = [lambda who=who: services.alert_acknowledge(actor=actor_of(who), alert=alert) for who in (hand, clerk)]
    outcomes = at_once(hands)
    refused = [one for one in outcomes if isinstance(one, Exception)]
    assert len(refused) == 1
    assert not isinstance(refused[0], Busy)
    assert afterwards(lambda: told("acknowledged")) == ["alerts.acknowledged"]
    assert clock.now() == NOON
