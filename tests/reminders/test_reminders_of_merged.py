"""What was told to a merged record is found with its survivor."""

from __future__ import annotations

import pytest

from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.correspondence.models import Reply
from opticshop.customers.models import Customer
from tests.factories import CustomerFactory
from tests.reminders.conftest import messages
from tests.reminders.test_reminders_campaigns import client, person, running

__all__ = ["client"]
pytestmark = pytest.mark.django_db


def test_recalls_messages_and_replies_of_a_merged_record_are_found_with_the_survivor(client, mill):
    recall, survivor = person(mill), CustomerFactory(branch=mill)
    running(client, mill)
    assert run_duty("reminders.notices_due") == 1
    [message] = messages()
    Reply.objects.create(
        branch=mill,
        channel="pocket",
        reply_id="r-1",
        message=message,
        customer=recall.customer,
        sender="+442079460018",
        meaning="unclear",
        received_at=clock.now(),
    )
    lists = [f"/api/v1/{name}/?customer={survivor.id}" for name in ("recalls", "messages", "replies")]
    assert [len(client.get(url).json()["results"]) for url in lists] == [0, 0, 0]
    Customer.objects.everywhere("test").filter(id=recall.customer_id).update(merged_into=survivor)
    assert [len(client.get(url).json()["results"]) for url in lists] == [1, 1, 1]
