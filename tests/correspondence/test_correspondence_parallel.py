"""Several workers at once, on PostgreSQL: each message leaves once, and together they keep to the pace of a channel."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from opticshop.core import clock
from opticshop.correspondence.models import Message
from opticshop.correspondence.services import channel_choose, messages_queue, send_due
from opticshop.correspondence.services.queueing import Draft
from tests.conftest import NOON
from tests.correspondence.conftest import KINDS, SYSTEM
from tests.factories import CustomerFactory

WORKERS, MESSAGES, PACE = 4, 24, 10


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_workers_together_keep_to_the_pace_and_send_each_message_once(plugin, mill):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    channel_choose(actor=SYSTEM, branch=mill, way="email", channel="post-box", per_minute=PACE)
    people = CustomerFactory.create_batch(MESSAGES, branch=mill)
    values = {"thing": "x", "finding": "y"}
    messages_queue(
        actor=SYSTEM, branch=mill, drafts=[Draft(one, KINDS["recall"], "things/1", values) for one in people]
    )
    gate = Barrier(WORKERS)

    def work(_: int) -> None:
        try:
            gate.wait(timeout=20)
            with clock.at(NOON):
                send_due(actor=SYSTEM)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(WORKERS) as pool:
        list(pool.map(work, range(WORKERS)))
    assert len({told.id for told in plugin.email.seen}) == len(plugin.email.seen) == PACE
    rows = Message.objects.everywhere("test")
    assert (rows.filter(state="sent").count(), rows.filter(state="queued").count()) == (PACE, MESSAGES - PACE)
