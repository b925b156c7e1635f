"""Facts that recalls are made by: recorded, ended, struck through, and counted over all records of a person."""

from __future__ import annotations

import datetime as dt
import uuid

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from opticshop.core.models import OutboxEvent
from opticshop.prescriptions.recall_facts_models import FLAGS, RecallFact
from opticshop.prescriptions.recall_facts_selectors import recall_flags_of, recall_flags_of_many
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/recall-facts/"
TODAY = dt.date(2026, 3, 2)


def body(customer, **more):
    return {
        "customer": str(customer.id),
        "flag": "diabetes",
        "since_on": "2026-03-02",
        "source": "the person",
    } | more


def fact(customer, flag="diabetes", **more):
    return RecallFact.objects.create(
        branch=customer.branch, customer=customer, flag=flag, source="invented", **{"since_on": TODAY} | more
    )


def test_a_fact_is_recorded_with_an_event_that_names_only_the_person(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).post(URL, body(customer))
    assert answer.status_code == 201, answer.data
    event = OutboxEvent.objects.get()
    assert (event.type, event.data) == ("prescriptions.recall_facts_changed", {"customer": str(customer.id)})
    assert recall_flags_of(customer, TODAY) == {"diabetes"}


def test_a_fact_ends_on_its_last_day(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    held = fact(customer, since_on=dt.date(2026, 2, 1))
    client = api(clerk)
    assert client.post(f"{URL}{held.id}/end/", {"until_on": "2026-03-01"}).status_code == 200
    assert recall_flags_of(customer, dt.date(2026, 3, 1)) == {"diabetes"}
    assert recall_flags_of(customer, TODAY) == frozenset()
    again = client.post(f"{URL}{held.id}/end/", {"until_on": "2026-03-02"})
    assert (again.status_code, again.json()["code"]) == (409, "prescriptions.recall_fact_over")
    assert client.post(URL, body(customer)).status_code == 201


def test_a_fact_that_was_never_so_is_struck_through_and_stays_readable(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    held = fact(customer)
    client = api(clerk)
    struck = client.post(f"{URL}{held.id}/strike/", {"reason": "another person's letter"})
    assert struck.data["struck_reason"] == "another person's letter"
    assert recall_flags_of(customer, TODAY) == frozenset()
    assert [row["id"] for row in client.get(f"{URL}?customer={customer.id}").data["results"]] == [str(held.id)]
    assert client.get(f"{URL}?customer={customer.id}&holds_on=2026-03-02").data["results"] == []
    assert client.post(f"{URL}{held.id}/strike/", {"reason": "x"}).json()["code"] == "prescriptions.recall_fact_over"


def test_a_fact_that_holds_is_not_recorded_twice(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    fact(customer)
    again = api(clerk).post(URL, body(customer))
    assert (again.status_code, again.json()["code"]) == (409, "prescriptions.recall_fact_holds")


@pytest.mark.parametrize(
    ("changes", "status"),
    [({"flag": "left_handed"}, 400), ({"since_on": "2026-03-03"}, 422), ({"since_on": "1984-03-08"}, 422)],
)
def test_what_cannot_be_is_refused(api, clerk, mill, changes, status):
    assert api(clerk).post(URL, body(CustomerFactory(branch=mill), **changes)).status_code == status
    assert not RecallFact.objects.everywhere("test").exists()


def test_a_fact_does_not_end_before_it_began(api, clerk, mill):
    held = fact(CustomerFactory(branch=mill))
    answer = api(clerk).post(f"{URL}{held.id}/end/", {"until_on": "2026-03-01"})
    assert (answer.status_code, answer.json()["code"]) == (422, "prescriptions.recall_day_implausible")


def test_only_those_who_record_prescriptions_see_it_and_only_their_own_branchs(api, outsider, hand, mill):
    """The workshop needs no diagnosis: access by need (UK GDPR Art. 5(1)(c), from memory)."""
    held = fact(CustomerFactory(branch=mill))
    paths = [("get", URL), ("get", f"{URL}{held.id}/"), ("post", f"{URL}{held.id}/strike/")]
    assert [getattr(api(hand), verb)(path, {"reason": "x"}).status_code for verb, path in paths] == [403] * 3
    assert api(outsider).get(f"{URL}?customer={held.customer_id}").data["results"] == []
    assert api(outsider).get(f"{URL}{held.id}/").status_code == 404
    assert api(outsider).post(f"{URL}{held.id}/end/", {"until_on": "2026-03-02"}).status_code == 404
    assert api(outsider).post(URL, body(held.customer)).status_code == 404
    assert api(outsider).get(f"{URL}?customer={uuid.UUID(int=0)}").data["results"] == []


def test_the_list_costs_the_same_for_one_row_and_for_ten(api, clerk, mill, queries):
    customer = CustomerFactory(branch=mill)
    client = api(clerk)
    fact(customer)
    one = queries(lambda: client.get(f"{URL}?customer={customer.id}"))
    for flag in FLAGS:
        fact(CustomerFactory(branch=mill, merged_into=customer), flag)
    assert queries(lambda: client.get(f"{URL}?customer={customer.id}")) == one
    assert len(client.get(f"{URL}?customer={customer.id}").data["results"]) == 1 + len(FLAGS)


def test_a_merged_record_takes_no_new_fact_and_its_old_ones_count_for_the_survivor(api, clerk, mill):
    survivor = CustomerFactory(branch=mill)
    merged = CustomerFactory(branch=mill, merged_into=survivor)
    fact(merged, "family_history_of_glaucoma")
    fact(survivor, "diabetes")
    refused = api(clerk).post(URL, body(merged, flag="binocular_anomaly"))
    assert (refused.status_code, refused.json()["survivor"]) == (409, str(survivor.id))
    assert recall_flags_of(survivor, TODAY) == recall_flags_of(merged, TODAY)
    assert recall_flags_of(survivor, TODAY) == {"diabetes", "family_history_of_glaucoma"}


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    facts=st.lists(
        st.tuples(st.integers(0, 3), st.sampled_from(sorted(FLAGS)), st.integers(-3, 3), st.booleans()), max_size=8
    )
)
def test_many_at_once_are_told_the_same_as_one_by_one(mill, queries, facts):
    survivor, alone, other = CustomerFactory.create_batch(3, branch=mill)
    people = [survivor, alone, other, CustomerFactory(branch=mill, merged_into=survivor)]
    seen = set()
    for who, flag, days, is_ended in facts:
        ended = {"until_on": TODAY + dt.timedelta(days=days)} if is_ended else {}
        if is_ended or (who, flag) not in seen:
            seen |= set() if is_ended else {(who, flag)}
            fact(people[who], flag, since_on=TODAY + dt.timedelta(days=min(days, 0)), **ended)
    assert recall_flags_of_many(people, TODAY) == {each.id: recall_flags_of(each, TODAY) for each in people}
    assert queries(lambda: recall_flags_of_many(people, TODAY)) == 1
