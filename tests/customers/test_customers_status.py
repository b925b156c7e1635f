"""Somebody died or moved away; guardians of children."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import DatabaseError, connection, transaction

from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer, StatusChange
from tests.factories import CustomerFactory
from tests.tags import version_in

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/"
READ = {"If-Match": '"1"'}


@pytest.mark.parametrize(("path", "column"), [("deceased", "deceased_on"), ("moved-away", "moved_away_on")])
def test_it_is_recorded_and_corrected_and_both_are_kept(api, clerk, mill, path, column):
    customer = CustomerFactory(branch=mill)
    client, url = api(clerk), f"{URL}{customer.id}/"
    known = client.post(f"{url}{path}/", {"on": "2026-02-20"}, headers=READ)
    assert (known.status_code, known.data[column], version_in(known)) == (200, "2026-02-20", 2)
    event = OutboxEvent.objects.get()
    assert (event.type, event.data["fields"]) == ("customers.changed", [column])
    again = client.post(f"{url}{path}/", {"on": "2026-02-21"}, headers={"If-Match": '"2"'})
    assert (again.status_code, again.json()["code"]) == (409, "customers.status_known")
    body = {"what": column, "reason": "It was the neighbour"}
    righted = client.post(f"{url}correct-status/", body, headers={"If-Match": '"2"'})
    assert righted.data[column] is None
    shown = client.get(f"{url}status-changes/").data["results"]
    assert [(row["was"], row["now"], row["reason"]) for row in shown] == [
        ("2026-02-20", None, "It was the neighbour"),
        (None, "2026-02-20", ""),
    ]
    nothing = client.post(f"{url}correct-status/", body, headers={"If-Match": '"3"'})
    assert nothing.json()["code"] == "customers.nothing_to_correct"


@pytest.mark.parametrize("day", ["2026-03-03", "1984-03-08"])
def test_a_day_that_cannot_be_is_refused(api, clerk, mill, day):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).post(f"{URL}{customer.id}/deceased/", {"on": day}, headers=READ)
    assert (answer.status_code, answer.json()["code"]) == (422, "customers.status_day_implausible")
    assert not OutboxEvent.objects.exists()


@pytest.mark.parametrize("path", ["deceased", "moved-away", "correct-status"])
def test_the_version_that_was_read_is_needed(api, clerk, outsider, mill, path):
    url = f"{URL}{CustomerFactory(branch=mill).id}/{path}/"
    body = {"what": "deceased_on", "reason": "x"} if path == "correct-status" else {"on": "2026-02-20"}
    assert api(clerk).post(url, body).status_code == 428
    assert api(clerk).post(url, body, headers={"If-Match": '"9"'}).status_code == 412
    assert api(outsider).post(url, body, headers=READ).status_code == 404


def test_the_database_refuses_to_change_the_history(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    api(clerk).post(f"{URL}{customer.id}/deceased/", {"on": "2026-02-20"}, headers=READ)
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("DELETE FROM customers_statuschange")
    assert StatusChange.objects.everywhere("test").count() == 1


def child_of(guardian, mill):
    return {
        "branch": str(mill.id),
        "given_name": "Teal",
        "family_name": "Alder",
        "birth_date": "2018-05-01",
        "guardian": str(guardian.id),
    }


def test_a_living_adult_is_a_guardian(api, clerk, mill):
    adult = CustomerFactory(branch=mill)
    answer = api(clerk).post(URL, child_of(adult, mill))
    assert (answer.status_code, answer.data["guardian"]) == (201, str(adult.id))


@pytest.mark.parametrize(
    "details", [{"deceased_on": dt.date(2026, 1, 1)}, {"birth_date": dt.date(2008, 3, 3)}], ids=["dead", "seventeen"]
)
def test_the_dead_and_the_young_are_no_guardians(api, clerk, mill, details):
    answer = api(clerk).post(URL, child_of(CustomerFactory(branch=mill, **details), mill))
    assert (answer.status_code, answer.json()["code"]) == (422, "customers.guardian_unsuitable")
    assert Customer.objects.everywhere("test").count() == 1


def test_a_ward_is_not_the_guardian_of_the_guardian(api, clerk, mill):
    adult = CustomerFactory(branch=mill, birth_date=None)
    ward = CustomerFactory(branch=mill, birth_date=None, guardian=adult)
    for guardian in (ward, adult):
        answer = api(clerk).patch(f"{URL}{adult.id}/", {"guardian": str(guardian.id)}, headers=READ)
        assert answer.json()["code"] == "customers.guardian_unsuitable"


def test_a_guardian_of_another_branch_is_not_there(api, clerk, mill, quay):
    answer = api(clerk).post(URL, child_of(CustomerFactory(branch=quay), mill))
    assert answer.status_code == 404


def test_what_is_to_be_confirmed_is_shown_until_it_was_asked(api, clerk, mill):
    """At 16 and 18 (common practice, from memory)."""
    ward = CustomerFactory(branch=mill, birth_date=dt.date(2010, 3, 2), guardian=CustomerFactory(branch=mill))
    client, url = api(clerk), f"{URL}{ward.id}/"
    assert client.get(url).data["to_confirm"].startswith("Now 16")
    answer = client.patch(url, {"contact_confirmed_on": "2026-03-02", "guardian": None}, headers=READ)
    assert answer.data["to_confirm"] == ""
