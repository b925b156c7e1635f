"""What people agree to hear: choices, refusals, wrong addresses, and the history that nobody can change."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import DatabaseError, connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import ConsentChange, ContactRefusal, Customer, Purpose, Way
from opticshop.customers.services import contact_allow, contact_refuse, customer_amend, customer_register
from opticshop.customers.services.consents import CHOICES
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/customers/"
STOP = {"way": "text", "purpose": "marketing", "source": "reply"}


def history(customer=None):
    rows = ConsentChange.objects.everywhere("test").order_by("id")
    return [
        (row.what, row.way, row.purpose, row.was, row.now, row.source)
        for row in (rows if customer is None else rows.filter(customer=customer))
    ]


def refusals(customer):
    return set(ContactRefusal.objects.everywhere("test").filter(customer=customer).values_list("way", "purpose"))


def test_a_refusal_is_kept_with_its_history_and_its_event(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).post(f"{URL}{customer.id}/refuse/", STOP | {"wording": "leaflet of 2026"})
    assert answer.status_code == 200, answer.data
    assert answer.data["refusals"] == [{"way": "text", "purpose": "marketing"}]
    assert history() == [("contact", "text", "marketing", "yes", "no", "reply")]
    row = ConsentChange.objects.everywhere("test").get()
    assert (row.changed_by_id, row.wording) == (clerk.id, "leaflet of 2026")
    event = OutboxEvent.objects.get()
    assert event.type == "customers.contact_choice_changed"
    assert event.data == {"customer": str(customer.id), "way": "text", "purpose": "marketing", "allowed": False}


def test_a_refusal_said_twice_is_one_refusal_and_two_lines_of_history(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    for _ in range(2):
        assert api(clerk).post(f"{URL}{customer.id}/refuse/", STOP).status_code == 200
    assert refusals(customer) == {("text", "marketing")}
    assert [(was, now) for *_, was, now, _ in history()] == [("yes", "no"), ("no", "no")]


def test_a_refusal_is_taken_back(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    api(clerk).post(f"{URL}{customer.id}/refuse/", STOP)
    answer = api(clerk).post(f"{URL}{customer.id}/allow/", STOP | {"source": "in_person"})
    assert answer.data["refusals"] == []
    assert history()[-1] == ("contact", "text", "marketing", "no", "yes", "in_person")


def test_every_change_of_a_choice_is_history_in_the_same_transaction(api, clerk, mill):
    body = {"branch": str(mill.id), "given_name": "Wren", "family_name": "Alder", "wants_marketing": True}
    made = api(clerk).post(URL, body | {"consent_source": "in_person", "consent_wording": "form 3"}).data
    assert history() == [("wants_marketing", "", "", "no", "yes", "in_person")]
    changes = {"wants_marketing": False, "preferred_channel": "letter", "wants_recalls": True, "note": "x"}
    answer = api(clerk).patch(f"{URL}{made['id']}/", changes, headers={"If-Match": '"1"'})
    assert answer.status_code == 200, answer.data
    assert history()[1:] == [
        ("wants_marketing", "", "", "yes", "no", "not_stated"),
        ("preferred_channel", "", "", "email", "letter", "not_stated"),
    ]


def test_a_change_that_is_refused_leaves_no_history(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).patch(f"{URL}{customer.id}/", {"wants_recalls": False}, headers={"If-Match": '"7"'})
    assert answer.status_code == 412
    assert history() == []


def test_where_a_choice_came_from_is_no_change_by_itself(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).patch(f"{URL}{customer.id}/", {"consent_source": "phone"}, headers={"If-Match": '"1"'})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    "statement", ["UPDATE customers_consentchange SET now = 'yes'", "DELETE FROM customers_consentchange"]
)
def test_the_database_refuses_to_change_the_history(mill, statement):
    contact_refuse(system("test"), CustomerFactory(branch=mill), "email", "recall", "phone")
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


def test_the_history_is_a_page_with_a_constant_number_of_queries(api, clerk, mill, queries):
    customer = CustomerFactory(branch=mill)
    client, url = api(clerk), f"{URL}{customer.id}/consents/"
    contact_refuse(system("test"), customer, "email", "recall", "phone")
    one = queries(lambda: client.get(url))
    for way in ("text", "letter"):
        contact_refuse(system("test"), customer, way, "recall", "unsubscribe_link")
    assert queries(lambda: client.get(url)) == one
    page = client.get(f"{url}?page_size=2").data
    assert [row["way"] for row in page["results"]] == ["letter", "text"]
    assert [row["way"] for row in client.get(page["next"]).data["results"]] == ["email"]


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("get", "consents/"),
        ("get", "status-changes/"),
        ("post", "refuse/"),
        ("post", "allow/"),
        ("post", "address-wrong/"),
        ("post", "address-right/"),
    ],
)
def test_choices_of_another_branchs_customer_are_not_there(api, outsider, hand, mill, method, path):
    url = f"{URL}{CustomerFactory(branch=mill).id}/{path}"
    body = {"way": "text", "reason": "x"} if "wrong" in path else {"way": "text"} if "right" in path else STOP
    arguments = (url,) if method == "get" else (url, body)
    assert getattr(api(outsider), method)(*arguments).status_code == 404
    assert getattr(api(hand), method)(*arguments).status_code == 403
    assert history() == []


def test_an_id_that_is_none_is_not_there(api, clerk, mill):
    assert api(clerk).get(f"{URL}{'-' * 36}/consents/").status_code == 404


@pytest.mark.parametrize("changes", [{"way": "pigeon"}, {"purpose": "any"}, {"source": "merge"}, {"source": ""}])
def test_an_unknown_choice_is_refused(api, clerk, mill, changes):
    customer = CustomerFactory(branch=mill)
    assert api(clerk).post(f"{URL}{customer.id}/refuse/", STOP | changes).status_code == 400
    assert refusals(customer) == set()


def test_a_wrong_address_is_named_until_it_is_changed(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    client, url = api(clerk), f"{URL}{customer.id}/"
    answer = client.post(f"{url}address-wrong/", {"way": "email", "reason": "came back"})
    assert answer.data["wrong_addresses"] == ["email"]
    changed = client.patch(url, {"email": "new@example.org"}, headers={"If-Match": answer["ETag"]})
    assert changed.data["wrong_addresses"] == []


def test_an_address_that_is_right_after_all_is_used_again(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    client, url = api(clerk), f"{URL}{customer.id}/"
    client.post(f"{url}address-wrong/", {"way": "email", "reason": "came back"})
    assert client.post(f"{url}address-right/", {"way": "email"}).data["wrong_addresses"] == []
    assert client.post(f"{url}address-right/", {"way": "email"}).json()["code"] == "customers.no_address_there"
    no_phone = client.post(f"{url}address-wrong/", {"way": "text", "reason": "x"})
    assert (no_phone.status_code, no_phone.json()["code"]) == (409, "customers.no_address_there")


def test_a_stop_on_a_merged_record_stops_its_survivor_too(mill):
    survivor = CustomerFactory(branch=mill)
    merged = CustomerFactory(branch=mill, merged_into=survivor)
    from opticshop.customers.models import CustomerMerge

    CustomerMerge.objects.create(survivor=survivor, merged=merged, reason="test")
    contact_refuse(system("unsubscribe"), merged, "email", "marketing", "unsubscribe_link")
    assert refusals(survivor) == refusals(merged) == {("email", "marketing")}


steps = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["refuse", "allow"]), st.sampled_from(Way.values), st.sampled_from(Purpose.values)),
        st.tuples(st.just("amend"), st.just("wants_recalls"), st.booleans()),
        st.tuples(st.just("amend"), st.just("wants_marketing"), st.booleans()),
        st.tuples(st.just("amend"), st.just("preferred_channel"), st.sampled_from(Customer.Channel.values)),
    ),
    max_size=8,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    first=st.fixed_dictionaries({}, optional={"wants_recalls": st.booleans(), "wants_marketing": st.booleans()}),
    said=steps,
)
def test_the_history_replays_to_what_holds_now(mill, first, said):
    actor = system("test")
    customer = customer_register(
        actor=actor, branch=mill, given_name="Wren", family_name="Alder", birth_date=dt.date(1984, 3, 9), **first
    ).customer
    for verb, what, value in said:
        if verb == "amend":
            customer = customer_amend(actor=actor, customer=customer, version=customer.version, changes={what: value})
        else:
            change = contact_refuse if verb == "refuse" else contact_allow
            change(actor, customer, what, value, "in_person")
            customer.refresh_from_db()
    choices = {
        name: str(value) if isinstance(value, str) else ("yes" if value else "no") for name, value in CHOICES.items()
    }
    refused = set()
    for what, way, purpose, was, now, _ in history(customer):
        if what == "contact":
            assert was == ("no" if (way, purpose) in refused else "yes")
            (refused.add if now == "no" else refused.discard)((way, purpose))
        else:
            assert choices[what] == was != now
            choices[what] = now
    assert refused == refusals(customer)
    assert choices == {
        "wants_recalls": "yes" if customer.wants_recalls else "no",
        "wants_marketing": "yes" if customer.wants_marketing else "no",
        "preferred_channel": str(customer.preferred_channel),
    }
