"""Who may be told what by which way: the rules, without a query for a whole page."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from opticshop.customers import contacting
from opticshop.customers.contacting import identities, ownership_to_confirm, ways_for, who_to_tell, why_not
from opticshop.customers.models import ContactRefusal, Customer, Purpose, Way, WrongAddress
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
TODAY = dt.date(2026, 3, 2)
FULL = {"phone": "020 7946 0018", "phone_e164": "+442079460018", "address": "1 Fell Row (invented)"}


def everybody():
    return Customer.objects.everywhere("test")


@pytest.mark.parametrize(
    ("details", "purpose", "ways"),
    [
        ({}, "service", ["email"]),
        (FULL, "service", ["email", "text", "letter"]),
        (FULL | {"preferred_channel": "letter"}, "recall", ["letter", "email", "text"]),
        (FULL | {"preferred_channel": "none"}, "service", []),
        (FULL | {"wants_recalls": False}, "recall", []),
        (FULL | {"wants_recalls": False}, "service", ["email", "text", "letter"]),
        (FULL, "marketing", []),
        (FULL | {"wants_marketing": True}, "marketing", ["email", "text", "letter"]),
        ({"email": "", "preferred_channel": "email"}, "service", []),
        (FULL | {"deceased_on": TODAY}, "service", []),
        (FULL | {"moved_away_on": TODAY}, "service", ["email", "text", "letter"]),
        (FULL | {"moved_away_on": TODAY}, "recall", []),
    ],
)
def test_ways_follow_the_choices_the_addresses_and_the_circumstances(mill, details, purpose, ways):
    assert ways_for(CustomerFactory(branch=mill, **details), purpose) == ways


def test_only_the_ways_that_are_offered_are_named(mill):
    person = CustomerFactory(branch=mill, preferred_channel="text", **FULL)
    assert ways_for(person, "service", ("letter", "email")) == ["letter", "email"]


def test_a_refusal_holds_for_its_way_and_its_purpose_alone(mill):
    """UK GDPR Art. 21 and PECR, from memory: per way and per purpose; recalls can stop while service goes on."""
    person = CustomerFactory(branch=mill, **FULL)
    ContactRefusal.objects.create(customer=person, way="text", purpose="recall")
    assert ways_for(person, "recall") == ["email", "letter"]
    assert ways_for(person, "service") == ["email", "text", "letter"]


def test_a_wrong_address_is_not_used_until_it_changes(mill):
    person = CustomerFactory(branch=mill, email="Wren@Example.org", **FULL)
    WrongAddress.objects.create(customer=person, way="email", address="wren@example.org", reason="came back")
    assert ways_for(person, "service") == ["text", "letter"]
    person.email = "wren.alder@example.org"
    assert ways_for(person, "service") == ["email", "text", "letter"]


@pytest.mark.parametrize(
    ("details", "purpose", "words"),
    [
        ({}, "recall", ""),
        ({"deceased_on": TODAY}, "service", "died"),
        ({"moved_away_on": TODAY}, "recall", "moved away"),
        ({"moved_away_on": TODAY}, "service", ""),
    ],
)
def test_why_not_says_what_stands_against_it(mill, details, purpose, words):
    assert words in why_not(CustomerFactory(branch=mill, **details), purpose)
    assert bool(why_not(CustomerFactory(branch=mill, **details), purpose)) == bool(words)


@pytest.mark.parametrize(
    ("born", "guardian", "told", "obstacle"),
    [
        (None, {}, "self", ""),
        (dt.date(2010, 3, 2), {}, "self", ""),
        (dt.date(2010, 3, 3), {}, "guardian", ""),
        (dt.date(2010, 3, 3), None, "self", "no guardian"),
        (dt.date(2010, 3, 3), {"deceased_on": TODAY}, "guardian", "died"),
    ],
)
def test_a_child_is_told_through_a_living_guardian(mill, born, guardian, told, obstacle):
    """Under 16 on the day (common practice, from memory)."""
    adult = None if guardian is None else CustomerFactory(branch=mill, **guardian)
    child = CustomerFactory(branch=mill, birth_date=born, guardian=adult)
    person, words = who_to_tell(child, TODAY)
    assert person == (child if told == "self" else adult)
    assert obstacle in words
    assert bool(words) == bool(obstacle)


def test_a_guardian_who_was_merged_is_answered_for_by_the_survivor(mill):
    survivor = CustomerFactory(branch=mill)
    guardian = CustomerFactory(branch=mill, merged_into=survivor)
    child = CustomerFactory(branch=mill, birth_date=dt.date(2016, 1, 1), guardian=guardian)
    assert who_to_tell(child, TODAY) == (survivor, "")


@pytest.mark.parametrize(
    ("born", "confirmed", "asked"),
    [
        (dt.date(2010, 3, 3), None, ""),
        (dt.date(2010, 3, 2), None, "16"),
        (dt.date(2010, 3, 2), TODAY, ""),
        (dt.date(2008, 3, 2), dt.date(2024, 3, 2), "18"),
        (dt.date(2008, 3, 2), TODAY, ""),
        (dt.date(1984, 3, 9), None, ""),
    ],
)
def test_at_sixteen_and_eighteen_it_is_asked_anew_who_is_told(mill, born, confirmed, asked):
    """Common practice, from memory."""
    ward = CustomerFactory(
        branch=mill, birth_date=born, guardian=CustomerFactory(branch=mill), contact_confirmed_on=confirmed
    )
    words = ownership_to_confirm(ward, TODAY)
    assert asked in words
    assert bool(words) == bool(asked)


def test_all_records_of_a_person_are_found_from_any_of_them(mill, queries):
    survivor, other = CustomerFactory(branch=mill), CustomerFactory(branch=mill)
    merged = CustomerFactory.create_batch(2, branch=mill, merged_into=survivor)
    whole = {survivor.id, *(each.id for each in merged)}
    assert all(identities(key) == whole for key in whole)
    assert identities(other.id) == {other.id}
    assert queries(lambda: identities(survivor.id)) == 1


def test_a_page_of_people_is_judged_without_a_query_each(mill, queries):
    def households(count):
        for _ in range(count):
            survivor = CustomerFactory(branch=mill, **FULL)
            guardian = CustomerFactory(branch=mill, merged_into=survivor)
            child = CustomerFactory(branch=mill, birth_date=dt.date(2016, 1, 1), guardian=guardian)
            CustomerFactory(branch=mill, merged_into=child)
            ContactRefusal.objects.create(customer=survivor, way="email", purpose="recall")
            WrongAddress.objects.create(customer=guardian, way="email", address="x@example.org", reason="invented")

    def judged():
        told = [who_to_tell(each, TODAY) for each in contacting.with_contact_facts(everybody())]
        return [ways_for(person, "recall") for person, _ in told]

    households(1)
    one = queries(judged)
    households(12)
    assert queries(judged) == one
    assert ["text", "letter"] in judged()


@settings(max_examples=60, deadline=None)
@given(
    prefers=st.sampled_from([*Way.values, "none"]),
    purpose=st.sampled_from(Purpose.values),
    recalls=st.booleans(),
    marketing=st.booleans(),
    refused=st.sets(st.tuples(st.sampled_from(Way.values), st.sampled_from(Purpose.values))),
    has=st.sets(st.sampled_from(Way.values)),
)
def test_nothing_refused_and_nothing_without_an_address_is_ever_offered(
    prefers, purpose, recalls, marketing, refused, has
):
    person = Customer(
        email="wren@example.org" if "email" in has else "",
        phone_e164="+442079460018" if "text" in has else "",
        address="1 Fell Row" if "letter" in has else "",
        preferred_channel=prefers,
        wants_recalls=recalls,
        wants_marketing=marketing,
    )
    person._prefetched_objects_cache = {
        "refusals": Rows(ContactRefusal(way=way, purpose=what) for way, what in refused),
        "wrong_addresses": Rows(()),
    }
    ways = ways_for(person, purpose)
    agreed = {"service": True, "recall": recalls, "marketing": marketing}[purpose] and prefers != "none"
    wanted = {way for way in has if (way, purpose) not in refused} if agreed else set()
    assert set(ways) == wanted
    assert len(ways) == len(set(ways))
    assert prefers not in ways or ways[0] == prefers


class Rows(list):
    """What a prefetched relation gives: itself, whenever it is asked for all."""

    def all(self):
        return self
