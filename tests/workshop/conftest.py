"""An order in the workshop, and a hand at the bench who works through the API."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest
from rest_framework.test import APIClient

from opticshop.accounts.access import actor_for
from opticshop.core import outbox
from opticshop.core.models import OutboxEvent
from opticshop.workshop import services
from opticshop.workshop.models import Job
from tests.orders.conftest import World, world
from tests.remembering import staged

__all__ = ["world"]

JOBS = "/api/v1/jobs/"
#: As ordered in ``world``: right -4.00 / -1.00 x 170, left -4.50 sphere.
GOOD = {
    "right": {"sphere_dpt": "-4.00", "cylinder_dpt": "-1.00", "axis_deg": 170},
    "left": {"sphere_dpt": "-4.50", "cylinder_dpt": "0.00"},
}
BEFORE_INSPECTION = ("mark_up", "trace", "block", "edge", "hand_edge", "glaze")


@dataclass
class Bench:
    """Drives one job through the API as one person."""

    client: APIClient
    job_id: str

    @property
    def url(self) -> str:
        return f"{JOBS}{self.job_id}/"

    @property
    def job(self) -> Job:
        return Job.objects.everywhere("test").get(id=self.job_id)

    def read(self) -> dict[str, Any]:
        response = self.client.get(self.url)
        assert response.status_code == 200, response.content
        return response.json()

    def post(self, path: str, body: Any = None, **more: Any) -> Any:
        return self.client.post(f"{self.url}{path}/", body if body is not None else {}, **more)

    def done(self, path: str, body: Any = None) -> dict[str, Any]:
        """A request that must succeed."""
        response = self.post(path, body)
        assert response.status_code in {200, 201}, response.content
        return response.json()

    def verify(self, *eyes: str) -> None:
        for eye in eyes or ("right", "left"):
            assert self.done("verify", {"eye": eye, **GOOD[eye]})["outcome"] == "pass"
        self.done("steps/verify/finish")

    def work(self, *kinds: str) -> None:
        for kind in kinds:
            self.done(f"steps/{kind}/start")
            self.done(f"steps/{kind}/finish")

    def to_inspection(self) -> None:
        """Without the detour over HTTP, which the tests of the steps themselves take."""
        actor, job = self._actor(), self.job
        for eye, values in GOOD.items():
            read = services.Reading(**{name: Decimal(value) for name, value in values.items()})
            assert services.lens_verify(actor=actor, job=job, eye=eye, reading=read).outcome == "pass"
        services.step_finish(actor=actor, job=job, kind="verify")
        self.pass_through(*BEFORE_INSPECTION)

    def pass_through(self, *kinds: str) -> None:
        """As ``work``, without the detour over HTTP."""
        for kind in kinds:
            services.step_start(actor=self._actor(), job=self.job, kind=kind)
            services.step_finish(actor=self._actor(), job=self.job, kind=kind)

    def _actor(self) -> Any:
        return actor_for(self.client.handler._force_user)


def place(client: APIClient, world: World, **more: Any) -> dict[str, Any]:
    response = client.post("/api/v1/orders/", world.body(**more))
    assert response.status_code == 201, response.content
    outbox.deliver_all()
    return response.json()


def events_of(type_: str) -> list[dict[str, Any]]:
    return list(OutboxEvent.objects.filter(type=type_).order_by("id").values_list("data", flat=True))


@pytest.fixture
def order(api: Callable[..., APIClient], clerk: Any, world: World, request: pytest.FixtureRequest) -> dict[str, Any]:
    placed: dict[str, Any] = staged(request, "order", lambda: place(api(clerk), world))
    return placed


@pytest.fixture
def bench(api: Callable[..., APIClient], hand: Any, order: dict[str, Any], request: pytest.FixtureRequest) -> Bench:
    def job() -> str:
        return str(Job.objects.everywhere("test").get(order_id=order["id"]).id)

    return Bench(api(hand), staged(request, "bench", job))
