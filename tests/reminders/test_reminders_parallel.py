"""Several workers send at once, on PostgreSQL: every message leaves once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from opticshop.core.duties import run_duty
from opticshop.reminders.services import ready_message_queue
from tests.factories import OrderFactory
from tests.reminders.conftest import SYSTEM, messages

WORKERS, MESSAGES = 4, 10


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_every_message_leaves_once(plugin, mill):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    for order in OrderFactory.create_batch(MESSAGES, customer__branch=mill, state="ready"):
        ready_message_queue(actor=SYSTEM, order=order)
    gate = Barrier(WORKERS)

    def work(_: int) -> int:
        try:
            gate.wait(timeout=20)
            return run_duty("correspondence.send_due")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(WORKERS) as pool:
        handled = list(pool.map(work, range(WORKERS)))
    assert sum(handled) == MESSAGES
    assert len({told.id for told in plugin.email.seen}) == len(plugin.email.seen) == MESSAGES
    assert {(message.state, message.attempts) for message in messages()} == {("sent", 1)}
