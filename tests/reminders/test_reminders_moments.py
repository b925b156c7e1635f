"""When a notice may leave: never in the quiet hours, also on the nights on which the clocks are changed.

Changes of the clock are those of the IANA time zone database, read by Python's ``zoneinfo``: Europe/London goes forward
on 29 March 2026 at 01:00 UTC and back on 25 October 2026 at 01:00 UTC (last Sundays, by The Summer Time Order
2002, from memory); America/New_York forward on 8 March 2026 at 02:00 local time.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from opticshop.branches.calendars import ORDINARY_WEEK, Calendar
from opticshop.reminders.moments import NoTimeToSend, sendable_at

LONDON, NEW_YORK = "Europe/London", "America/New_York"
CHANGES = {
    (LONDON, "forward"): dt.datetime(2026, 3, 29, 1, tzinfo=dt.UTC),
    (LONDON, "back"): dt.datetime(2026, 10, 25, 1, tzinfo=dt.UTC),
    (NEW_YORK, "forward"): dt.datetime(2026, 3, 8, 7, tzinfo=dt.UTC),
}
ALWAYS_OPEN = {day: (dt.time(0), dt.time(23, 59)) for day in range(7)}
times = st.integers(0, 24 * 4 - 1).map(lambda quarter: dt.time(quarter // 4, quarter % 4 * 15))


def is_quiet(time: dt.time, quiet_from: dt.time, quiet_to: dt.time) -> bool:
    """Whether a wall-clock time lies in the quiet hours; they may go over midnight. The same twice: none."""
    if quiet_from <= quiet_to:
        return quiet_from <= time < quiet_to
    return time >= quiet_from or time < quiet_to


def found(moment, zone=LONDON, quiet=("20:00", "09:00"), open_days_only=False, **calendar):
    return sendable_at(
        moment,
        quiet_from=dt.time.fromisoformat(quiet[0]),
        quiet_to=dt.time.fromisoformat(quiet[1]),
        calendar=Calendar(zone=zone, hours=calendar.pop("hours", ORDINARY_WEEK), **calendar),
        open_days_only=open_days_only,
    )


@pytest.mark.parametrize("change", CHANGES, ids=" ".join)
def test_the_zone_changes_its_clock_where_we_say(change):
    moment, zone = CHANGES[change], ZoneInfo(change[0])
    before, after = (at.astimezone(zone).utcoffset() for at in (moment - dt.timedelta(minutes=1), moment))
    assert abs(after - before) == dt.timedelta(hours=1)


@pytest.mark.parametrize("change", CHANGES, ids=" ".join)
@given(
    minutes=st.integers(-36 * 60, 36 * 60),
    quiet_from=times,
    quiet_to=times,
    open_days_only=st.booleans(),
    data=st.data(),
)
def test_a_notice_never_leaves_in_the_quiet_hours_and_never_before_it_was_made(
    change, minutes, quiet_from, quiet_to, open_days_only, data
):
    zone, moment = ZoneInfo(change[0]), CHANGES[change] + dt.timedelta(minutes=minutes)
    calendar = Calendar(zone=change[0], hours=data.draw(st.sampled_from((ALWAYS_OPEN, ORDINARY_WEEK))))
    terms = {
        "quiet_from": quiet_from,
        "quiet_to": quiet_to,
        "calendar": calendar,
        "open_days_only": open_days_only,
    }
    try:
        at = sendable_at(moment, **terms)
    except NoTimeToSend:
        assume(False)
    assert at >= moment
    local = at.astimezone(zone)
    assert not is_quiet(local.time(), quiet_from, quiet_to)
    if open_days_only:
        opens, closes = calendar.hours[local.weekday()]
        assert opens <= local.time() < closes
    assert sendable_at(at, **terms) == at
    # Nothing that could have been used was passed over, but for the hour at which the clocks are changed.
    for step in range(0, int((at - moment).total_seconds() // 60), 15):
        earlier = moment + dt.timedelta(minutes=step)
        if abs(earlier - CHANGES[change]) > dt.timedelta(hours=1):
            there = earlier.astimezone(zone)
            usable = not is_quiet(there.time(), quiet_from, quiet_to)
            if open_days_only:
                hours = calendar.hours.get(there.weekday())
                usable = usable and hours is not None and hours[0] <= there.time() < hours[1]
            assert not usable, earlier


@pytest.mark.parametrize(
    ("made", "leaves"),
    [
        ("2026-03-28T21:00+00:00", "2026-03-29T08:00+00:00"),  # nine in summer time
        ("2026-10-24T21:00+00:00", "2026-10-25T09:00+00:00"),  # nine in winter time
        ("2026-03-29T12:00+00:00", "2026-03-29T12:00+00:00"),
    ],
)
def test_the_morning_is_the_branchs_morning(made, leaves):
    assert found(dt.datetime.fromisoformat(made)) == dt.datetime.fromisoformat(leaves)


def test_an_hour_that_does_not_exist_begins_when_the_clocks_have_been_changed():
    """01:30 is skipped on that night; the quiet hours that end then end at 02:30 summer time."""
    at = found(dt.datetime(2026, 3, 29, 0, 10, tzinfo=dt.UTC), quiet=("22:00", "01:30"))
    assert at == dt.datetime(2026, 3, 29, 1, 30, tzinfo=dt.UTC)


def test_an_hour_that_comes_twice_is_quiet_twice():
    """01:30 comes twice on that night; quiet hours until then end with the second."""
    at = found(dt.datetime(2026, 10, 25, 0, 10, tzinfo=dt.UTC), quiet=("22:00", "01:30"))
    assert at == dt.datetime(2026, 10, 25, 1, 30, tzinfo=dt.UTC)


def test_only_while_the_branch_is_open():
    friday_evening = dt.datetime(2026, 3, 6, 18, 0, tzinfo=dt.UTC)
    closed = [(dt.date(2026, 3, 9), dt.date(2026, 3, 9), "stocktaking")]
    assert found(friday_evening, open_days_only=True) == dt.datetime(2026, 3, 9, 9, 0, tzinfo=dt.UTC)
    assert found(friday_evening, open_days_only=True, closures=closed) == dt.datetime(2026, 3, 10, 9, tzinfo=dt.UTC)
    assert found(friday_evening) == friday_evening


def test_no_hour_at_all_is_said():
    with pytest.raises(NoTimeToSend):
        found(dt.datetime(2026, 3, 6, tzinfo=dt.UTC), quiet=("08:00", "18:00"), open_days_only=True)
    assert found(dt.datetime(2026, 3, 6, tzinfo=dt.UTC), quiet=("08:00", "08:00")) == dt.datetime(
        2026, 3, 6, tzinfo=dt.UTC
    )
