"""Two people accept the same advice at the same moment, on PostgreSQL: one draft, one plain refusal."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from opticshop.core import clock
from opticshop.purchasing.models import PurchaseOrder
from opticshop.replenishment.models import Acceptance
from tests.conftest import NOON
from tests.replenishment.test_replenishment_accepting import accept
from tests.replenishment.test_replenishment_runs import STEADY, URL, lines_of, wanted

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
THREADS = 4


def test_a_line_accepted_by_several_at_once_is_drafted_once(api, manager, mill, power, used, sold_by):
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    used(mill, power(), STEADY[:8])
    sold_by()
    run = api(manager).post(URL, wanted(mill)).data
    [line] = lines_of(api(manager), run)
    gate = Barrier(THREADS)

    def take_it(_):
        try:
            gate.wait(timeout=20)
            with clock.at(NOON):  # a thread has a clock of its own
                return accept(api(manager), run, {"line": line["id"]})
        finally:
            connections.close_all()

    with ThreadPoolExecutor(THREADS) as pool:
        answers = list(pool.map(take_it, range(THREADS)))
    assert sorted(answer.status_code for answer in answers) == [200, 409, 409, 409]
    refused = {answer.data["code"] for answer in answers if answer.status_code == 409}
    assert refused == {"replenishment.already_accepted"}
    assert PurchaseOrder.objects.everywhere("test").count() == 1
    assert str(Acceptance.objects.everywhere("test").get().line_id) == str(line["id"])
