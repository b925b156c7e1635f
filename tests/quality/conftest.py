"""A glazed pair at the inspection, and the ways to pass it, pay for it and hand it over, all through the API."""

from __future__ import annotations

import uuid
from typing import Any

import pytest
from rest_framework.test import APIClient

from opticshop.core import outbox
from tests.orders.conftest import world
from tests.remembering import staged
from tests.workshop.conftest import Bench, bench, order

__all__ = ["bench", "order", "world"]

INSPECTIONS, HANDOVERS = "/api/v1/inspections/", "/api/v1/handovers/"
SEEN = {name: {"ok": True} for name in ("surfaces", "edges_and_bevel", "fit_in_rim", "strain", "alignment", "screws")}
#: Ordered in ``world``: right -4.00 / -1.00 x 170 at 33 and 20 mm, left -4.50 at 32 and 20 mm.
RIGHT = {
    "sphere_dpt": "-4.00",
    "cylinder_dpt": "-1.00",
    "axis_deg": 170,
    "prism_in_dpt": "0.00",
    "prism_up_dpt": "0.00",
}
LEFT = {"sphere_dpt": "-4.50", "cylinder_dpt": "0.00", "prism_in_dpt": "0.00", "prism_up_dpt": "0.00"}


def measured(job_id: str, *, right: Any = None, left: Any = None, **more: Any) -> dict[str, Any]:
    body = {"job": job_id, "right": RIGHT | (right or {}), "left": LEFT | (left or {}), "visual": SEEN}
    return {**body, **more}


def inspect(client: APIClient, job_id: str, **changes: Any) -> Any:
    return client.post(INSPECTIONS, measured(job_id, **changes))


def pay(client: APIClient, order: dict[str, Any], amount: str | None = None) -> None:
    body = {"order": order["id"], "amount": amount or order["total"], "method": "card"}
    response = client.post("/api/v1/payments/", body, headers={"Idempotency-Key": str(uuid.uuid4())})
    assert response.status_code == 201, response.content


def make_ready(bench: Bench) -> None:
    """From the open job to the packed pair."""
    bench.to_inspection()
    response = inspect(bench.client, bench.job_id)
    assert response.json()["outcome"] == "pass", response.content
    bench.pass_through("set_up", "pack")
    outbox.deliver_all()


@pytest.fixture
def glazed(bench: Bench, request: pytest.FixtureRequest) -> Bench:
    staged(request, "glazed", bench.to_inspection)
    return bench


@pytest.fixture
def ready(bench: Bench, request: pytest.FixtureRequest) -> Bench:
    staged(request, "ready", lambda: make_ready(bench))
    return bench
