"""Registering, finding and amending customers through the API."""

from __future__ import annotations

import pytest

from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from tests.factories import CustomerFactory
from tests.tags import version_in

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/"


def person(branch, **more):
    return {
        "branch": str(branch.id),
        "given_name": "Zoë",
        "family_name": "Ó Marsh",
        "birth_date": "1990-05-01",
        **more,
    }


def test_a_customer_is_registered_with_an_event(api, clerk, mill):
    response = api(clerk).post(URL, person(mill, phone="020 7946 0018"))
    assert response.status_code == 201, response.data
    assert response.data["phone_e164"] == "+442079460018"
    assert version_in(response) == 1
    event = OutboxEvent.objects.get()
    assert (event.type, event.data["customer"]) == ("customers.registered", response.data["id"])


def test_near_duplicates_are_named_but_do_not_block(api, clerk, mill):
    first = api(clerk).post(URL, person(mill)).data
    second = api(clerk).post(URL, person(mill, given_name="Zoe"))
    assert second.status_code == 201
    assert [row["id"] for row in second.data["near_duplicates"]] == [first["id"]]


@pytest.mark.parametrize("query", ["name=omar zo", "name=OMA", "phone=%2B442079460018", "birth_date=1990-05-01"])
def test_a_customer_is_found_by_name_phone_or_birth_date(api, clerk, mill, query):
    wanted = api(clerk).post(URL, person(mill, family_name="Omarsh", phone="+44 20 7946 0018")).data
    CustomerFactory(branch=mill, given_name="Tern", family_name="Fell", birth_date=None)
    found = api(clerk).get(f"{URL}?{query}").data["results"]
    assert [row["id"] for row in found] == [wanted["id"]]


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"birth_date": "2027-01-01"}, "customers.birth_date_implausible"),
        ({"phone": "12"}, "customers.phone_unreadable"),
        ({"given_name": ""}, "core.malformed"),
        ({"email": "nobody"}, "core.malformed"),
        ({"nickname": "Z"}, "core.malformed"),
        ({"family_name": "a\x00b"}, "core.malformed"),
    ],
)
def test_bad_input_is_a_problem_and_writes_nothing(api, clerk, mill, more, code):
    response = api(clerk).post(URL, person(mill, **more))
    assert response.status_code in {400, 422}
    assert response["Content-Type"] == "application/problem+json"
    assert response.json()["code"] == code
    assert not Customer.objects.everywhere("test").exists()
    assert not OutboxEvent.objects.exists()


def test_another_branchs_customer_looks_like_none(api, clerk, outsider, mill, quay):
    theirs = CustomerFactory(branch=mill)
    client = api(outsider)
    assert client.get(f"{URL}{theirs.id}/").status_code == 404
    assert client.get(URL).data["results"] == []
    assert client.patch(f"{URL}{theirs.id}/", {"note": "x"}, headers={"If-Match": '"1"'}).status_code == 404
    assert client.post(URL, person(mill)).status_code == 404


def test_amending_needs_the_version_that_was_read(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    client, url = api(clerk), f"{URL}{customer.id}/"
    assert client.patch(url, {"note": "x"}).status_code == 428
    assert version_in(client.patch(url, {"note": "x"}, headers={"If-Match": '"1"'})) == 2
    assert client.patch(url, {"note": "y"}, headers={"If-Match": '"1"'}).status_code == 412
    customer.refresh_from_db()
    assert customer.note == "x"


def test_the_workshop_does_not_see_customers(api, hand):
    assert api(hand).get(URL).status_code == 403
    assert api(None).get(URL).status_code == 401


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, queries):
    client = api(clerk)
    CustomerFactory(branch=mill)
    one = queries(lambda: client.get(URL))
    CustomerFactory.create_batch(9, branch=mill)
    assert queries(lambda: client.get(URL)) == one


@pytest.mark.parametrize("number", [7, 7.5])
def test_a_number_is_no_name(api, clerk, number):
    """The document says text: a number is refused by name, not written as digits."""
    answer = api(clerk).post(URL, {"given_name": number, "family_name": "Wren"}, format="json")
    assert answer.status_code == 400
    assert answer.json()["errors"] == [
        {"pointer": "#/given_name", "detail": "Write text, in quotes.", "code": "not_plain"}
    ]
