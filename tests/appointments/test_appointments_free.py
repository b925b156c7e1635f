"""What is free: every slot can be booked, and nothing outside what is said to be free can."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.accounts.access import actor_for
from opticshop.appointments import hours, selectors
from opticshop.appointments.hours import Span
from opticshop.appointments.models import Appointment
from opticshop.appointments.services import AlreadyBooked, OutsideOpeningHours, appointment_book
from opticshop.branches.calendars import ORDINARY_WEEK, Calendar
from tests.appointments.conftest import HALF_HOUR, LONDON, URL, AppointmentFactory, at
from tests.factories import CustomerFactory

MINUTE = dt.timedelta(minutes=1)


@pytest.mark.django_db
def test_free_is_opening_hours_less_what_is_booked(api, clerk, mill, examiner, queries):
    AppointmentFactory(customer__branch=mill, seen_by=examiner, starts_at=at(3, 10, 10))
    AppointmentFactory(customer__branch=mill, starts_at=at(3, 15))  # of nobody in particular
    asked = {"branch": str(mill.id), "from": "2026-03-03", "to": "2026-03-03", "minutes": 45, "with": str(examiner.id)}
    client = api(clerk)
    found = client.get(f"{URL}free/", asked).data
    assert found["stretches"] == [
        {"starts_at": "2026-03-03T09:00:00Z", "ends_at": "2026-03-03T10:10:00Z"},
        {"starts_at": "2026-03-03T10:40:00Z", "ends_at": "2026-03-03T17:30:00Z"},
    ]
    starts = [slot["starts_at"][11:16] for slot in found["slots"]]
    assert starts[:3] == ["09:00", "10:40", "11:25"]
    one = queries(lambda: client.get(f"{URL}free/", asked))
    for hour in (11, 13, 16):
        AppointmentFactory(customer__branch=mill, seen_by=examiner, starts_at=at(3, hour))
    assert queries(lambda: client.get(f"{URL}free/", {**asked, "to": "2026-03-20"})) == one


@pytest.mark.django_db
def test_today_begins_now_and_a_customers_own_appointments_count(api, clerk, mill, customer):
    AppointmentFactory(customer=customer, starts_at=at(2, 13))
    asked = {"branch": str(mill.id), "to": "2026-03-02", "customer": str(customer.id)}
    found = api(clerk).get(f"{URL}free/", asked).data["stretches"]
    assert [(row["starts_at"][11:16], row["ends_at"][11:16]) for row in found] == [
        ("12:00", "13:00"),
        ("13:30", "17:30"),
    ]


@pytest.mark.django_db
@pytest.mark.parametrize(
    "wrong", [{"to": "2026-03-01"}, {"to": "2026-04-30"}, {"minutes": 4}, {"minutes": 481}, {"from": "x"}, {"odd": "1"}]
)
def test_what_cannot_be_asked_is_refused(api, clerk, mill, wrong):
    assert api(clerk).get(f"{URL}free/", {"branch": str(mill.id), **wrong}).status_code == 400


@pytest.fixture
def others(mill):
    return CustomerFactory.create_batch(6, branch=mill)


#: Minutes after nine on Tuesday 3 March: (start, length).
booked = st.lists(st.tuples(st.integers(-30, 520), st.integers(5, 120)), max_size=6)


@pytest.mark.django_db
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(booked=booked, wanted=st.tuples(st.integers(-40, 520), st.integers(5, 120)))
def test_what_is_free_can_be_booked_and_nothing_else_can(mill, clerk, examiner, customer, others, booked, wanted):
    actor, day, nine = actor_for(clerk), dt.date(2026, 3, 3), at(3, 9)

    def span(start: int, length: int) -> Span:
        return Span(nine + start * MINUTE, nine + (start + length) * MINUTE)

    def book(each: Span) -> bool:
        times = {"starts_at": each.starts_at, "ends_at": each.ends_at}
        with transaction.atomic():
            try:
                appointment_book(actor=actor, branch=mill, customer=customer, kind="other", seen_by=examiner, **times)
            except (AlreadyBooked, OutsideOpeningHours):
                return False
            transaction.set_rollback(True)
            return True

    taken: list[Span] = []
    for each in (span(*times) for times in booked):
        if not any(t.starts_at < each.ends_at and each.starts_at < t.ends_at for t in taken):
            taken.append(each)
    with transaction.atomic():
        Appointment.objects.bulk_create(
            Appointment(
                branch=mill, customer=person, kind="other", seen_by=examiner, starts_at=t.starts_at, ends_at=t.ends_at
            )
            for person, t in zip(others, taken, strict=False)
        )
        free = selectors.free_stretches(mill, day, day, customer=customer, person=examiner)
        one = span(*wanted)
        assert book(one) == any(stretch.holds(one) for stretch in free)
        slots = [slot for stretch in free for slot in hours.slots(stretch, HALF_HOUR)]
        for slot in slots[:1] + slots[-1:]:
            assert book(slot)
        transaction.set_rollback(True)


moments = st.integers(0, 2 * 365 * 24 * 60).map(
    lambda minutes: dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + minutes * MINUTE
)


@given(after=moments, taken=st.lists(st.tuples(moments, st.integers(5, 600)), max_size=8), minutes=st.integers(5, 480))
@settings(max_examples=60, deadline=None)
def test_stretches_lie_within_opening_hours_on_every_day_of_the_year(after, taken, minutes):
    """Also on the days on which the clocks change. Wall time is read back by zoneinfo (IANA time zones)."""
    calendar = Calendar(zone="Europe/London", hours={**ORDINARY_WEEK, 6: (dt.time(0, 30), dt.time(3))})
    busy = [Span(start, start + length * MINUTE) for start, length in taken]
    first = hours.day_of(after, calendar.zone)
    found = list(hours.stretches(calendar, first, first + dt.timedelta(days=9), busy, after=after))
    assert found == sorted(found)
    for stretch in found:
        start, end = (moment.astimezone(LONDON) for moment in (stretch.starts_at, stretch.ends_at))
        opens, closes = calendar.hours[start.weekday()]
        assert opens <= start.time() < closes
        assert end.date() == start.date()
        assert end.time() <= closes
        assert stretch.starts_at >= after
        assert not any(b.starts_at < stretch.ends_at and stretch.starts_at < b.ends_at for b in busy)
        for slot in hours.slots(stretch, minutes * MINUTE):
            assert stretch.holds(slot)
            assert slot.starts_at.minute % 5 == slot.starts_at.second == 0
