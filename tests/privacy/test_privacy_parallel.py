"""Erasing somebody while others work for them: an open order of an erased person is never left behind."""

from __future__ import annotations

import datetime as dt

import pytest
from django.conf import settings

from opticshop.appointments.models import Appointment
from opticshop.appointments.services import appointment_book
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.orders.models import Order, Quotation
from opticshop.orders.quotations_services import quotation_accept, quotation_make
from opticshop.orders.services import Wanted, order_place
from opticshop.privacy import services
from tests.conftest import NOON
from tests.together import afterwards, at_once

pytestmark = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,
    pytest.mark.skipif(
        not settings.DATABASES["default"]["ENGINE"].endswith("postgresql"), reason="row locks are tried on PostgreSQL"
    ),
]
SYSTEM = system("test")


def wanted_in(world):
    return Wanted(
        branch=world.branch,
        customer=world.customer,
        prescription=world.prescription,
        measurement=world.measurement,
        frame=world.frame,
        lenses={"right": world.lens, "left": world.lens},
    )


def raced(world, other):
    """Names of the outcomes of erasing, and of what somebody else does at the same moment."""
    outcomes = at_once(
        [lambda: services.person_erase(actor=SYSTEM, customer=world.customer, because="test"), lambda: other(world)]
    )
    return [type(each).__name__ for each in outcomes]


def left(world):
    """(erased, open orders, agreed appointments, open offers) as somebody else sees them afterwards."""
    customer = Customer.objects.everywhere("test").get(id=world.customer.id)
    return (
        customer.erased_at is not None,
        Order.objects.everywhere("test").filter(state="placed").count(),
        Appointment.objects.everywhere("test").filter(state="booked").count(),
        Quotation.objects.everywhere("test").filter(state="open").count(),
    )


def place(world):
    return order_place(actor=SYSTEM, wanted=wanted_in(world))


def book(world):
    starts_at = NOON + dt.timedelta(days=1)
    return appointment_book(
        actor=SYSTEM, branch=world.branch, customer=world.customer, kind="examination", starts_at=starts_at,
        ends_at=starts_at + dt.timedelta(minutes=30),
    )  # fmt: skip


def accept(world):
    return quotation_accept(actor=SYSTEM, quotation=Quotation.objects.everywhere("test").get())


@pytest.mark.parametrize("other", [place, book, accept], ids=["order", "appointment", "offer"])
@pytest.mark.parametrize("turn", range(4))
def test_of_erasing_and_working_for_a_person_one_waits_and_the_later_is_refused(world, other, turn):
    if other is accept:
        quotation_make(actor=SYSTEM, wanted=wanted_in(world))
    erasing, working = raced(world, other)
    erased, orders, visits, offers = afterwards(lambda: left(world))
    assert erased == (erasing == "Counter"), (erasing, working)
    if erased:
        assert (orders, visits, offers) == (0, 0, 0), working
        assert working in {"CustomerErased", "CustomerNotToBook", "MoveNotAllowed", "Busy"}
    else:
        assert erasing in {"ErasureStandsInTheWay", "Busy"}
        assert orders + visits == 1, working
    assert OutboxEvent.objects.filter(type="privacy.person_erased").count() == int(erased)
