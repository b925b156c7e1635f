"""Many book the same time at once, on PostgreSQL: one gets it, and the database itself would refuse the others."""

from __future__ import annotations

from functools import partial

import pytest
from django.db import IntegrityError, connection, transaction

from opticshop.accounts.access import actor_for
from opticshop.appointments.models import Appointment
from opticshop.appointments.services import AlreadyBooked, appointment_book, appointment_change
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Message
from tests.appointments.conftest import HALF_HOUR, AppointmentFactory, at
from tests.factories import CustomerFactory
from tests.together import at_once

HANDS = 6
pytestmark = [pytest.mark.postgresql, pytest.mark.django_db(transaction=True)]


@pytest.fixture(autouse=True)
def only_postgresql():
    if connection.vendor != "postgresql":
        pytest.skip("row locks and exclusion are tried on PostgreSQL")


def rows():
    return Appointment.objects.everywhere("test")


@pytest.mark.parametrize("contested", ["person", "customer"])
def test_one_of_many_gets_the_time(mill, clerk, examiner, customer, contested):
    actor, times = actor_for(clerk), {"starts_at": at(4, 10), "ends_at": at(4, 10) + HALF_HOUR}
    people = CustomerFactory.create_batch(HANDS, branch=mill) if contested == "person" else [customer] * HANDS
    seen_by = examiner if contested == "person" else None
    jobs = [
        partial(appointment_book, actor=actor, branch=mill, customer=each, kind="other", seen_by=seen_by, **times)
        for each in people
    ]
    outcomes = at_once(jobs)
    assert sorted(type(outcome).__name__ for outcome in outcomes) == ["AlreadyBooked"] * (HANDS - 1) + ["Appointment"]
    assert rows().count() == 1


def test_two_are_not_put_off_into_the_same_time(mill, clerk, examiner):
    actor = actor_for(clerk)
    both = [AppointmentFactory(customer__branch=mill, seen_by=examiner, starts_at=at(4, hour)) for hour in (9, 10)]
    changes = {"starts_at": at(5, 10), "ends_at": at(5, 10) + HALF_HOUR}
    jobs = [partial(appointment_change, actor=actor, appointment=row, version=1, changes=dict(changes)) for row in both]
    outcomes = at_once(jobs)
    assert {type(outcome) for outcome in outcomes} == {Appointment, AlreadyBooked}


@pytest.mark.parametrize("whose", ["customer", "seen_by"])
def test_the_database_itself_keeps_them_apart(mill, customer, examiner, whose):
    same = {"customer": customer} if whose == "customer" else {"seen_by": examiner, "customer__branch": mill}
    AppointmentFactory(starts_at=at(4, 10), **same)
    AppointmentFactory(starts_at=at(4, 10, 30), **same)  # begins as the other ends
    AppointmentFactory(starts_at=at(4, 10), state="missed", **same)
    with pytest.raises(IntegrityError, match=f"appointments_{whose}_once"), transaction.atomic():
        AppointmentFactory(starts_at=at(4, 10, 15), **same)


def test_two_schedulers_remind_once(mill):
    AppointmentFactory.create_batch(3, customer__branch=mill, starts_at=at(4, 10), remind_at=at(2, 9))
    outcomes = at_once([partial(run_duty, "appointments.remind")] * 3)
    assert sum(outcomes) >= 3
    assert Message.objects.everywhere("test").count() == 3
    with clock.at(at(2, 13)):
        assert run_duty("appointments.remind") == 0
