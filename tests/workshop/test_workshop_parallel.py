"""Several hands at one job at once, on PostgreSQL: one does it, the others are told."""

from __future__ import annotations

from collections import Counter

import pytest
from django.db import connection

from opticshop.core.actor import system
from opticshop.orders.models import OrderedLens
from opticshop.stock.models import Lot
from opticshop.stock.selectors import ledger_differences
from opticshop.workshop import services
from opticshop.workshop.models import Job
from tests.factories import LensProductFactory, OrderFactory
from tests.together import at_once
from tests.workshop.conftest import JOBS, Bench, events_of, place

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgresql]
SYSTEM = system("test")
HANDS = 6


@pytest.fixture
def job(mill) -> Job:
    """A job whose lenses are made to order and have arrived: nothing of it lies in the ledger of the stock."""
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    order = OrderFactory(customer__branch=mill)
    product = LensProductFactory(supply="made_to_order")
    for eye in ("right", "left"):
        OrderedLens.objects.create(
            order=order,
            eye=eye,
            product=product,
            sphere_dpt="-2.25",
            cylinder_dpt="0",
            centration_distance_mm="32",
            centration_height_mm="20",
            is_special_order=True,
        )
    opened = services.job_open(actor=SYSTEM, order=order)
    return services.lenses_arrived(actor=SYSTEM, job=opened)


def test_a_step_is_started_by_one_hand(api, hand, job):
    responses = at_once([lambda: api(hand).post(f"{JOBS}{job.id}/steps/verify/start/", {})] * HANDS)
    assert Counter(response.status_code for response in responses) == {200: 1, 409: HANDS - 1}
    assert {r.json()["code"] for r in responses if r.status_code == 409} == {"workshop.step_already_started"}
    assert len(events_of("workshop.step_started")) == 1


def test_a_lost_lens_is_lost_once(api, hand, job):
    body = {"eye": "left", "step": "verify", "reason": "Fell"}
    responses = at_once([lambda: api(hand).post(f"{JOBS}{job.id}/break-lens/", body)] * HANDS)
    assert Counter(response.status_code for response in responses) == {201: 1, 409: HANDS - 1}
    job.refresh_from_db()
    assert (job.state, job.awaited_eyes, job.breakages.count()) == ("waiting", ["left"], 1)


def test_one_remake_is_opened(api, hand, job):
    services.job_cancel(actor=SYSTEM, job=job, reason="Given up")
    body = {"order": str(job.order_id), "remake_reason": "Begun again"}
    responses = at_once([lambda: api(hand).post(JOBS, body)] * HANDS)
    assert Counter(response.status_code for response in responses) == {201: 1, 409: HANDS - 1}
    assert {r.json()["code"] for r in responses if r.status_code == 409} == {"workshop.job_still_live"}
    assert sorted(Job.objects.everywhere("test").values_list("attempt", flat=True)) == [1, 2]


def test_cancelling_and_cutting_at_once_never_leave_a_cut_lens_in_the_drawer(api, hand, manager, mill, request):
    """Either the cut began first and the lenses are written off, or the order was called off and nothing is cut."""
    if connection.vendor != "postgresql":
        pytest.skip("row locks are tried on PostgreSQL")
    world = request.getfixturevalue("world")
    order = place(api(request.getfixturevalue("clerk")), world)
    bench = Bench(api(hand), str(Job.objects.everywhere("test").get(order_id=order["id"]).id))
    bench.verify()
    bench.work("mark_up", "trace", "block")
    calls = [
        lambda: api(hand).post(f"{bench.url}steps/edge/start/", {}),
        lambda: api(manager).post(f"/api/v1/orders/{order['id']}/cancel/", {"reason": "Moved away"}),
    ]
    cut, cancelled = at_once(calls)
    assert cancelled.status_code == 200, cancelled.content
    assert cut.status_code in {200, 409}, cut.content
    began = cut.status_code == 200
    if not began:
        assert cut.json()["code"] == "workshop.order_called_off"
    lots = Lot.objects.everywhere("test").filter(item__kind="lens")
    assert [(lot.on_hand, lot.reserved) for lot in lots] == [(1 if began else 2, 0)] * 2
    assert bool(bench.job.cut_eyes) is began
    assert not ledger_differences()
