"""When a branch works: opening hours, closures, public holidays.

Public holidays of England and Wales in 2026 as the government's list of bank holidays gives them (gov.uk/bank-holidays,
from memory): 1 January, 3 April (Good Friday), 6 April (Easter Monday), 4 May, 25 May, 31 August, 25 December and,
Boxing Day being a Saturday, 28 December in its place. Scotland keeps 2 January, the first Monday of August
and 30 November, not Easter Monday, and in 2026 once 15 June (proclaimed for the football world cup).
"""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.branches.calendars import ORDINARY_WEEK, Calendar, NeverOpen, calendar_of
from opticshop.branches.models import Closure
from opticshop.core.models import OutboxEvent

URL = "/api/v1/branches/"
ENGLAND_2026 = {(1, 1), (4, 3), (4, 6), (5, 4), (5, 25), (8, 31), (12, 25), (12, 28)}


def week(**more):
    return Calendar(zone="Europe/London", hours=ORDINARY_WEEK, **more)


def utc(*parts):
    return dt.datetime(*parts, tzinfo=dt.UTC)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("subdivision", "holidays"),
    [("ENG", ENGLAND_2026), ("SCT", (ENGLAND_2026 - {(4, 6), (8, 31)}) | {(1, 2), (6, 15), (8, 3), (11, 30)})],
)
def test_the_public_holidays_of_the_branchs_part_of_the_country_are_kept(mill, subdivision, holidays):
    mill.subdivision = subdivision
    calendar = calendar_of(mill)
    days = [dt.date(2026, 1, 1) + dt.timedelta(days=n) for n in range(365)]
    closed = {(day.month, day.day) for day in days if day.weekday() < 5 and not calendar.is_open(day)}
    assert closed == holidays
    assert calendar.why_closed(dt.date(2026, 4, 3)) == "Good Friday"


@pytest.mark.django_db
def test_a_branch_may_open_on_public_holidays_and_a_country_may_be_unknown(mill):
    mill.keeps_public_holidays = False
    assert calendar_of(mill).is_open(dt.date(2026, 12, 25))
    mill.keeps_public_holidays, mill.country = True, "XX"
    calendar = calendar_of(mill)
    assert calendar.is_open(dt.date(2026, 12, 25))
    assert calendar.knows_holidays is False


def test_open_days_skip_weekends_holidays_and_closures():
    easter = {dt.date(2026, 4, 3): "Good Friday", dt.date(2026, 4, 6): "Easter Monday"}
    calendar = week(holidays=easter, closures=[(dt.date(2026, 4, 7), dt.date(2026, 4, 8), "Stocktaking")])
    thursday = dt.date(2026, 4, 2)
    assert calendar.open_days_after(thursday, 0) == thursday
    assert calendar.open_days_after(thursday, 1) == dt.date(2026, 4, 9)
    assert calendar.open_days_after(dt.date(2026, 4, 4), 0) == dt.date(2026, 4, 9)
    assert calendar.why_closed(dt.date(2026, 4, 8)) == "Stocktaking"


def test_working_minutes_count_opening_hours_only():
    calendar = week(holidays={dt.date(2026, 3, 4): "Invented holiday"})
    # Monday 16:30 to Thursday 10:00, open 9:00 to 17:30, Wednesday closed: 60 + 510 + 60.
    assert calendar.working_minutes(utc(2026, 3, 2, 16, 30), utc(2026, 3, 5, 10)) == 630
    assert calendar.working_minutes(utc(2026, 3, 7, 10), utc(2026, 3, 8, 10)) == 0
    assert calendar.working_minutes(utc(2026, 3, 3, 10), utc(2026, 3, 2, 10)) == 0
    # British Summer Time began on 29 March 2026: from then 9:00 on the door is 8:00 UTC.
    assert calendar.working_minutes(utc(2026, 3, 30, 8), utc(2026, 3, 30, 9)) == 60
    assert calendar.working_minutes(utc(2026, 3, 27, 8), utc(2026, 3, 27, 9)) == 0


moments = st.integers(0, 59 * 24 * 60).map(lambda minutes: utc(2026, 1, 1) + dt.timedelta(minutes=minutes))


@settings(max_examples=50)
@given(moments, moments, moments)
def test_working_minutes_of_two_spans_on_end_add_up(one, two, three):
    start, middle, end = sorted([one, two, three])
    calendar = week(closures=[(dt.date(2026, 1, 12), dt.date(2026, 1, 16), "Refitting")])
    whole = calendar.working_minutes(start, end)
    assert whole == pytest.approx(calendar.working_minutes(start, middle) + calendar.working_minutes(middle, end))
    assert 0 <= whole <= (end - start).total_seconds() / 60


def test_a_branch_that_never_opens_promises_nothing():
    shut = week(closures=[(dt.date(2026, 1, 1), dt.date(2028, 1, 1), "Given up")])
    with pytest.raises(NeverOpen):
        shut.next_open(dt.date(2026, 3, 2))


@pytest.mark.django_db
def test_the_manager_sets_the_week_and_closes_some_days(api, manager, mill):
    client = api(manager)
    tuesday_on = [{"weekday": day, "opens_at": "10:00", "closes_at": "18:00"} for day in range(1, 6)]
    found = client.post(f"{URL}{mill.id}/hours/", {"hours": tuesday_on})
    assert found.status_code == 200, found.content
    closed = client.post(
        f"{URL}{mill.id}/closures/", {"first_on": "2026-03-05", "last_on": "2026-03-06", "reason": "Refitting"}
    )
    assert closed.status_code == 201, closed.content
    shown = client.get(f"{URL}{mill.id}/calendar/?first=2026-03-02&count=7").json()
    assert [day["is_open"] for day in shown["days"]] == [False, True, True, False, False, True, False]
    assert shown["days"][3]["why_closed"] == "Refitting"
    [closure] = shown["closures"]
    client.post(f"{URL}{mill.id}/closures/{closure['id']}/lift/", {})
    assert not Closure.objects.exists()
    again = client.post(f"{URL}{mill.id}/closures/{closure['id']}/lift/", {})
    assert (again.status_code, again.json()["code"]) == (404, "core.not_found")
    what = [event.data["what"] for event in OutboxEvent.objects.filter(type="branches.calendar_changed").order_by("id")]
    assert what == ["hours", "closures", "closures"]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "body", "status", "code"),
    [
        ("hours", {"hours": []}, 422, "branches.hours_make_no_day"),
        (
            "hours",
            {"hours": [{"weekday": 0, "opens_at": "17:00", "closes_at": "09:00"}]},
            422,
            "branches.hours_make_no_day",
        ),
        ("hours", {"hours": [{"weekday": 7, "opens_at": "09:00", "closes_at": "17:00"}]}, 400, "core.malformed"),
        ("hours", {"hours": [{"weekday": 1, "opens_at": "09:00", "closes_at": "17:00"}] * 2}, 400, "core.malformed"),
        (
            "closures",
            {"first_on": "2026-03-05", "last_on": "2026-03-04", "reason": "x"},
            422,
            "branches.closure_has_no_days",
        ),
        ("closures", {"first_on": "2026-03-05", "last_on": "2026-03-05", "reason": ""}, 400, "core.malformed"),
    ],
)
def test_hours_and_closures_that_make_no_sense_are_refused(api, manager, mill, path, body, status, code):
    response = api(manager).post(f"{URL}{mill.id}/{path}/", body)
    assert (response.status_code, response.json()["code"]) == (status, code), response.content
    assert not OutboxEvent.objects.filter(type="branches.calendar_changed").exists()


@pytest.mark.django_db
def test_a_part_of_the_country_is_one_whose_holidays_are_known(api, head_office, mill):
    client = api(head_office)
    response = client.patch(f"{URL}{mill.id}/", {"subdivision": "ZZZ"}, headers={"If-Match": '"1"'})
    assert (response.status_code, response.json()["code"]) == (422, "branches.subdivision_unknown")
    assert "SCT" in response.json()["errors"][0]["allowed"]
    response = client.patch(f"{URL}{mill.id}/", {"subdivision": "SCT"}, headers={"If-Match": '"1"'})
    assert response.json()["subdivision"] == "SCT"


@pytest.mark.django_db
def test_the_counter_reads_the_calendar_and_strangers_do_not(api, clerk, outsider, mill):
    assert api(clerk).get(f"{URL}{mill.id}/calendar/").status_code == 200
    assert api(clerk).post(f"{URL}{mill.id}/closures/", {}).status_code == 403
    assert api(outsider).get(f"{URL}{mill.id}/calendar/").status_code == 404
