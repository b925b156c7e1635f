"""A branch open on weekdays from 09:00 to 17:30 in London, and bookings at it. Everything is invented."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import factory
import pytest

from opticshop.appointments.models import Appointment
from tests.conftest import NOON, member
from tests.factories import CustomerFactory

URL, FEEDS = "/api/v1/appointments/", "/api/v1/calendar-feeds/"
LONDON = ZoneInfo("Europe/London")
HALF_HOUR = dt.timedelta(minutes=30)


def at(day: int, hour: int, minute: int = 0, month: int = 3) -> dt.datetime:
    """A moment in London, in 2026."""
    return dt.datetime(2026, month, day, hour, minute, tzinfo=LONDON).astimezone(dt.UTC)


class AppointmentFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Appointment

    customer = factory.SubFactory(CustomerFactory)
    branch = factory.SelfAttribute("customer.branch")
    kind = "examination"
    starts_at = at(4, 10)
    ends_at = factory.LazyAttribute(lambda a: a.starts_at + HALF_HOUR)
    agreed_at = changed_at = created_at = NOON


@pytest.fixture
def customer(mill):
    return CustomerFactory(branch=mill, given_name="Wren", family_name="Alder")


@pytest.fixture
def body(mill, customer):
    """``body(starts_at, minutes, **more)`` is a booking of the customer."""

    def make(starts_at=None, minutes=30, **more):
        starts_at = starts_at or at(4, 10)
        ends_at = starts_at + dt.timedelta(minutes=minutes)
        plain = {"branch": mill.id, "customer": customer.id, "kind": "examination"}
        return {
            name: str(value)
            for name, value in {
                **plain,
                "starts_at": starts_at.isoformat(),
                "ends_at": ends_at.isoformat(),
                **more,
            }.items()
        }

    return make


@pytest.fixture
def examiner(mill):
    return member("examiner", "counter", mill)
