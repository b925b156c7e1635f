"""The same message several times at one moment, on PostgreSQL: one is recorded, the others find it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from opticshop.customers.models import Customer
from opticshop.exchange.models import OutsideIdentifier
from opticshop.prescriptions.models import Prescription

from .resources import R4, bundle

SENDERS = 6


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_of_parallel_messages_one_is_recorded(api, clerk, mill):
    if connection.vendor != "postgresql":
        pytest.skip("writers wait for each other on SQLite")
    gate = Barrier(SENDERS)

    def send(_):
        try:
            gate.wait(timeout=20)
            return api(clerk).post(f"{R4}/", bundle(), format="json")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(SENDERS) as pool:
        responses = list(pool.map(send, range(SENDERS)))
    assert [response.status_code for response in responses] == [200] * SENDERS
    answered = [[entry["response"] for entry in response.json()["entry"]] for response in responses]
    assert len({tuple(one["location"] for one in each) for each in answered}) == 1
    assert sorted(each[-1]["status"] for each in answered) == ["200 OK"] * (SENDERS - 1) + ["201 Created"]
    assert Customer.objects.everywhere("test").count() == 1
    assert Prescription.objects.everywhere("test").count() == 1
    assert OutsideIdentifier.objects.everywhere("test").count() == 2
