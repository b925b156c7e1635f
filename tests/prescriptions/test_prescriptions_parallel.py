"""Two people amending the same prescription at once, on PostgreSQL: one version follows, the other is told of it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from opticshop.core.models import OutboxEvent
from opticshop.prescriptions.models import Prescription
from tests.factories import PrescriptionFactory
from tests.prescriptions.bodies import PRESCRIPTIONS, prescription

PEOPLE = 6


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_of_parallel_amendments_one_wins_and_the_others_are_told_which(api, clerk, mill):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    original = PrescriptionFactory(customer__branch=mill)
    gate = Barrier(PEOPLE)

    def amend(axis):
        try:
            body = prescription(reason="Axis misread", right={"axis_deg": axis})
            gate.wait(timeout=20)
            return api(clerk).post(f"{PRESCRIPTIONS}{original.id}/amend/", body)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(PEOPLE) as pool:
        responses = list(pool.map(amend, range(1, PEOPLE + 1)))
    assert sorted(response.status_code for response in responses) == [201] + [409] * (PEOPLE - 1)
    (current,) = (response.json()["id"] for response in responses if response.status_code == 201)
    assert {r.json()["current"] for r in responses if r.status_code == 409} == {current}
    assert Prescription.objects.everywhere("test").count() == 2
    assert OutboxEvent.objects.count() == 1
