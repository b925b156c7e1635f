"""Finding prescriptions and measurements: filters, scope, the cost of a page and the indexes behind it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection

from opticshop.prescriptions import selectors
from opticshop.prescriptions.models import DispensingOverride, PrescribedPrism
from tests.factories import BranchFactory, CustomerFactory, MeasurementFactory, PrescriptionFactory
from tests.prescriptions.bodies import MEASUREMENTS, PRESCRIPTIONS

pytestmark = pytest.mark.django_db
YESTERDAY, TODAY = dt.date(2026, 3, 1), dt.date(2026, 3, 2)


def ids(response):
    assert response.status_code == 200, response.data
    return [row["id"] for row in response.data["results"]]


def rich_prescription(branch):
    row = PrescriptionFactory(customer__branch=branch, issued_on=dt.date(2024, 1, 1), expires_on=YESTERDAY)
    for eye in row.eyes.all():
        PrescribedPrism.objects.create(eye=eye, amount_dpt="1.00", base="in")
    DispensingOverride.objects.create(branch=branch, prescription=row, reason="test", valid_until=TODAY)
    PrescriptionFactory(customer=row.customer, supersedes=row, amendment_reason="test")
    return row


def test_a_customers_prescriptions_are_listed_newest_first(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    first, second = PrescriptionFactory.create_batch(2, customer=customer)
    PrescriptionFactory(customer__branch=mill)
    assert ids(api(clerk).get(f"{PRESCRIPTIONS}?customer={customer.id}")) == [str(second.id), str(first.id)]


def test_current_leaves_out_the_superseded_and_the_expired_of_each_branchs_day(api, head_office, mill):
    far = BranchFactory(code="FAR", time_zone="Pacific/Auckland")  # 3 March there at noon of 2 March UTC
    old = PrescriptionFactory(customer__branch=mill)
    new = PrescriptionFactory(customer=old.customer, supersedes=old, amendment_reason="test")
    expired = PrescriptionFactory(customer__branch=mill, expires_on=YESTERDAY)
    last_day = PrescriptionFactory(customer__branch=mill, expires_on=TODAY)
    expired_there = PrescriptionFactory(customer__branch=far, expires_on=TODAY)
    client = api(head_office)
    assert set(ids(client.get(f"{PRESCRIPTIONS}?current=true"))) == {str(new.id), str(last_day.id)}
    others = {str(old.id), str(expired.id), str(expired_there.id)}
    assert set(ids(client.get(f"{PRESCRIPTIONS}?current=false"))) == others
    assert len(ids(client.get(PRESCRIPTIONS))) == 5
    statuses = {row["status"] for row in client.get(f"{PRESCRIPTIONS}?current=true").data["results"]}
    assert statuses == {"current"}


@pytest.mark.parametrize("query", ["current=yes", "customer=wren"])
def test_a_malformed_filter_is_a_problem(api, clerk, query):
    response = api(clerk).get(f"{PRESCRIPTIONS}?{query}")
    assert (response.status_code, response["Content-Type"]) == (400, "application/problem+json")


@pytest.mark.parametrize(("url", "make"), [(PRESCRIPTIONS, PrescriptionFactory), (MEASUREMENTS, MeasurementFactory)])
def test_another_branchs_records_look_like_none(api, outsider, mill, url, make):
    theirs = make(customer__branch=mill)
    assert api(outsider).get(f"{url}{theirs.id}/").status_code == 404
    assert ids(api(outsider).get(url)) == []
    assert ids(api(outsider).get(f"{url}?customer={theirs.customer_id}")) == []


def test_the_workshop_reads_and_the_books_do_not(api, hand, bookkeeper, mill):
    row = PrescriptionFactory(customer__branch=mill)
    assert api(hand).get(f"{PRESCRIPTIONS}{row.id}/").status_code == 200
    assert api(bookkeeper).get(PRESCRIPTIONS).status_code == 403
    assert api(bookkeeper).get(MEASUREMENTS).status_code == 403
    assert api(None).get(PRESCRIPTIONS).status_code == 401


@pytest.mark.parametrize("query", ["", "?current=false"])
def test_a_page_of_prescriptions_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, queries, query):
    client = api(clerk)
    rich_prescription(mill)
    one = queries(lambda: client.get(PRESCRIPTIONS + query))
    for _ in range(9):
        rich_prescription(mill)
    assert len(ids(client.get(f"{PRESCRIPTIONS}?current=false"))) == 10
    assert queries(lambda: client.get(PRESCRIPTIONS + query)) == one


def test_a_page_of_measurements_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, queries):
    client = api(clerk)
    MeasurementFactory(customer__branch=mill)
    one = queries(lambda: client.get(MEASUREMENTS))
    MeasurementFactory.create_batch(9, customer__branch=mill)
    assert queries(lambda: client.get(MEASUREMENTS)) == one


@pytest.mark.skipif(connection.vendor != "sqlite", reason="reads the plan of SQLite")
@pytest.mark.parametrize(
    ("visible_to", "index", "customer_index"),
    [
        (selectors.prescriptions_visible_to, "prescriptions_branch_newest", "prescriptions_customer"),
        (selectors.measurements_visible_to, "prescriptions_meas_newest", "prescriptions_meas_customer"),
    ],
)
def test_a_page_is_read_in_the_order_of_an_index(actor_of, clerk, mill, visible_to, index, customer_index):
    page = visible_to(actor_of(clerk)).order_by("-id")
    of_customer = page.filter(customer_id=mill.id)
    for plan, wanted in ((page[:51].explain(), index), (of_customer[:51].explain(), customer_index)):
        assert f"USING INDEX {wanted} " in plan
        assert "TEMP B-TREE" not in plan


@pytest.mark.skipif(connection.vendor != "sqlite", reason="reads the plan of SQLite")
def test_a_customers_current_prescriptions_are_read_by_customer(actor_of, clerk, mill):
    page = selectors.prescriptions_visible_to(actor_of(clerk)).filter(customer_id=mill.id)
    plan = selectors.prescriptions_current(page, True).order_by("-id")[:51].explain()
    assert "USING INDEX prescriptions_customer " in plan
    assert "TEMP B-TREE" not in plan
