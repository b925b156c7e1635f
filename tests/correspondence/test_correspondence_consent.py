"""Who is told by which way: what the person prefers, allows and has; each purpose apart. UK practice and PECR as in
the trade, from memory: marketing needs agreement, recalls can be refused, one's own order is still told."""

from __future__ import annotations

import datetime as dt
from itertools import product

import pytest

from opticshop.correspondence.services import channel_choose, message_queue
from opticshop.customers.models import ContactRefusal, WrongAddress
from tests.correspondence.conftest import KINDS, SYSTEM, queue
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def served(plugin, mill):
    for way, channel in (("email", "post-box"), ("text", "pocket"), ("letter", "card")):
        channel_choose(actor=SYSTEM, branch=mill, way=way, channel=channel)
    return plugin


def change(customer, **values):
    for name, value in values.items():
        setattr(customer, name, value)
    customer.save()


PURPOSES, WAYS = ("service", "recall", "marketing"), ("email", "text", "letter")


@pytest.mark.parametrize(("purpose", "prefers"), list(product(PURPOSES, WAYS)))
def test_a_refused_way_is_passed_over_for_its_purpose_only(served, person, purpose, prefers):
    """For every refusal of one purpose by one way: the first of the preferred way and then the order that is left."""
    change(person, preferred_channel=prefers)
    order = [prefers, *(way for way in WAYS if way != prefers)]
    for number, (refused_purpose, refused_way) in enumerate([("", ""), *product(PURPOSES, WAYS)]):
        ContactRefusal.objects.everywhere("test").all().delete()
        if refused_way:
            ContactRefusal.objects.create(customer=person, purpose=refused_purpose, way=refused_way)
        left = [way for way in order if (refused_purpose, refused_way) != (purpose, way)]
        message = queue(person, purpose, about=f"things/{number}", ways=WAYS)
        assert (message.state, message.way) == ("queued", left[0]), (refused_purpose, refused_way)


def test_without_further_ways_only_the_preferred_one_is_used(served, person):
    ContactRefusal.objects.create(customer=person, purpose="recall", way="email")
    message = queue(person, "recall")
    assert message.state == "failed"
    assert message.detail == "The person refused recall messages by email."


@pytest.mark.parametrize(
    ("changes", "states"),
    [
        ({}, ("queued", "queued", "queued")),
        ({"wants_marketing": False}, ("queued", "queued", "failed")),
        ({"wants_recalls": False}, ("queued", "failed", "queued")),
        ({"moved_away_on": dt.date(2026, 2, 1)}, ("queued", "failed", "failed")),
        ({"deceased_on": dt.date(2026, 2, 1)}, ("failed", "failed", "failed")),
        ({"preferred_channel": "none"}, ("failed", "failed", "failed")),
    ],
)
def test_each_purpose_has_its_own_consent(served, person, changes, states):
    change(person, **changes)
    assert tuple(queue(person, purpose).state for purpose in PURPOSES) == states


def test_a_wrong_address_is_not_used_until_it_changes(served, person):
    WrongAddress.objects.create(customer=person, way="email", address="wren@example.org", reason="bounced")
    assert queue(person, ways=("email", "letter")).way == "letter"
    assert "found to be wrong" in queue(person, about="things/2").detail
    change(person, email="right@example.org")
    assert queue(person, about="things/3").to == "right@example.org"


def test_a_childs_guardian_decides_about_the_way(served, person, mill):
    child = CustomerFactory(branch=mill, birth_date=dt.date(2016, 1, 1), guardian=person, email="", given_name="Fern")
    ContactRefusal.objects.create(customer=person, purpose="recall", way="email")
    message = queue(child, "recall", ways=WAYS)
    assert (message.customer_id, message.told_id, message.way, message.to) == (
        child.id,
        person.id,
        "text",
        person.phone_e164,
    )


def test_the_survivor_of_a_merge_is_told(served, person, mill):
    double = CustomerFactory(branch=mill, email="old@example.org", merged_into=person)
    message = queue(double)
    assert (message.to, message.told_id) == (person.email, person.id)


def test_without_choices_the_branchs_own_channel_serves_its_way(plugin, person):
    assert queue(person).channel == "post-box"
    change(person, preferred_channel="text")
    message = queue(person, about="things/2")
    assert message.detail == "This branch has no channel for text: it sends by email."


def test_many_are_queued_in_as_many_queries_as_one(served, mill, person, queries):
    from opticshop.correspondence.services import Draft, messages_queue

    def queue_for(people, about):
        drafts = [Draft(one, KINDS["recall"], about, {"thing": "x", "finding": "y"}, None, WAYS) for one in people]
        return messages_queue(actor=SYSTEM, branch=mill, drafts=drafts)

    many = CustomerFactory.create_batch(12, branch=mill)
    few = queries(lambda: queue_for(many[:2], "things/few"))
    assert queries(lambda: queue_for(many, "things/many")) == few
    again = queue_for([*many[:3], many[0]], "things/many")
    assert len({message.id for message in again}) == 3
    assert again[0].id == again[3].id
    assert [message.customer_id for message in again] == [many[i].id for i in (0, 1, 2, 0)]
    one = message_queue(
        actor=SYSTEM, branch=mill, customer=many[1], kind=KINDS["recall"], about="things/many", values={}
    )
    assert one.id == again[1].id
