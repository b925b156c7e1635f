"""Several who read the same and write at once, on PostgreSQL: no write is lost without anybody being told.

A lost update is the anomaly P4 of Berenson et al., A Critique of ANSI SQL Isolation Levels (1995): of two who read the
same row and write it, the later overwrites the earlier.
"""

from __future__ import annotations

from collections import Counter

import pytest
from django.db import connection

from opticshop.branches.models import OpeningHours
from opticshop.core.actor import system
from opticshop.customers.models import ContactRefusal, Customer
from opticshop.orders.models import Order, OrderedLens
from opticshop.prescriptions.models import Prescription
from opticshop.workshop import services as workshop
from tests.factories import CustomerFactory, LensProductFactory, OrderFactory, PrescriptionFactory
from tests.orders.conftest import world
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription
from tests.together import afterwards, at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
__all__ = ["world"]
SYSTEM = system("test")
HANDS = 6


@pytest.fixture(autouse=True)
def on_postgresql():
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")


def outcome(answers):
    return Counter(answer.status_code for answer in answers)


def test_a_customer(api, manager, mill):
    """Each amends another column: without the guard all would seem to have gone through."""
    url = f"/api/v1/customers/{CustomerFactory(branch=mill, note='').id}/"
    tag = api(manager).get(url)["ETag"]
    columns = ("note", "postcode", "address", "given_name", "family_name", "country")
    bodies = [{name: "GB" if name == "country" else "Alder"} for name in columns]

    def amend(body):
        return lambda: api(manager).patch(url, body, headers={"If-Match": tag})

    assert outcome(at_once([amend(body) for body in bodies])) == {200: 1, 412: HANDS - 1}
    assert afterwards(lambda: api(manager).get(url).json()["version"]) == 2


def test_a_customer_is_amended_while_consent_is_withdrawn(api, manager, mill):
    """Steps without If-Match are never refused by an amendment, and never undo it."""
    person = CustomerFactory(branch=mill, note="")
    url = f"/api/v1/customers/{person.id}/"
    tag = api(manager).get(url)["ETag"]
    ways = [{"way": way, "purpose": purpose, "source": "phone"} for way in ("email", "text") for purpose in PURPOSES]
    steps = [lambda body=body: api(manager).post(f"{url}refuse/", body) for body in ways]
    amend = [lambda: api(manager).patch(url, {"note": "x"}, headers={"If-Match": tag})]
    answers = at_once(steps + amend)
    assert outcome(answers[:-1]) == {200: len(ways)}
    assert ContactRefusal.objects.everywhere("test").count() == len(ways)
    found = Customer.objects.everywhere("test").get()
    amended = answers[-1].status_code == 200
    assert (found.note, found.version) == ("x" if amended else "", 1 + len(ways) + amended)


PURPOSES = ("recall", "marketing")


@pytest.fixture
def job(mill):
    order = OrderFactory(customer__branch=mill)
    OrderedLens.objects.create(
        order=order,
        eye="right",
        product=LensProductFactory(supply="made_to_order"),
        sphere_dpt="-2.25",
        cylinder_dpt="0",
        centration_distance_mm="32",
        centration_height_mm="20",
        is_special_order=True,
    )
    return workshop.job_open(actor=SYSTEM, order=order)


def test_a_job(api, hand, job):
    url = f"/api/v1/jobs/{job.id}/"
    tag = api(hand).get(url)["ETag"]
    answers = at_once([lambda: api(hand).post(f"{url}claim/", {}, headers={"If-Match": tag})] * HANDS)
    assert outcome(answers) == {200: 1, 412: HANDS - 1}
    assert {answer["ETag"] for answer in answers if answer.status_code == 412} == {'"2"'}


def test_an_order(api, manager, world):
    url = f"/api/v1/orders/{api(manager).post('/api/v1/orders/', world.body()).json()['id']}/"
    tag = api(manager).get(url)["ETag"]

    def promise(day):
        body = {"promised_on": f"2026-03-{day}", "reason": f"For the {day}th"}
        return lambda: api(manager).post(f"{url}promise/", body, headers={"If-Match": tag})

    answers = at_once([promise(day) for day in (16, 17, 18, 19, 20, 23)])
    assert outcome(answers) == {200: 1, 412: HANDS - 1}
    [won] = [answer.json() for answer in answers if answer.status_code == 200]
    found = Order.objects.everywhere("test").get()
    assert (str(found.promised_on), found.promises.count()) == (won["promised_on"], len(won["promises"]))


def test_a_prescription(api, clerk, mill):
    url = f"{PRESCRIPTIONS}{PrescriptionFactory(customer__branch=mill).id}/"
    tag = api(clerk).get(url)["ETag"]

    def amend(axis):
        body = prescription(reason="Axis misread", right={"axis_deg": axis})
        return lambda: api(clerk).post(f"{url}amend/", body, headers={"If-Match": tag})

    answers = at_once([amend(axis) for axis in range(1, HANDS + 1)])
    assert outcome(answers) == {201: 1, 412: HANDS - 1}
    assert Prescription.objects.everywhere("test").count() == 2


def test_a_week_is_set_as_a_whole_by_each(api, manager, mill):
    """Each sets other days: what stands afterwards is the week of one of them, never a mixture or a failure."""
    url = f"/api/v1/branches/{mill.id}/hours/"

    def week(day):
        hours = [
            {"weekday": day, "opens_at": "09:00", "closes_at": "17:00"},
            {**SATURDAY, "closes_at": f"{12 + day}:00"},
        ]
        return lambda: api(manager).post(url, {"hours": hours})

    assert outcome(at_once([week(day) for day in range(5)])) == {200: 5}
    days = dict(OpeningHours.objects.order_by("weekday").values_list("weekday", "closes_at__hour"))
    [day] = set(days) - {5}
    assert days[5] == 12 + day


SATURDAY = {"weekday": 5, "opens_at": "09:00"}
