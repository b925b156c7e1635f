"""An Idempotency-Key is heeded on every POST, also where nothing is said of it, or refused: never ignored.

After the IETF draft httpapi-idempotency-key-header (from memory): a repeat is answered with the first answer, and what
cannot be repeated so is refused instead of done twice.
"""

from __future__ import annotations

import pytest

from opticshop.core.models import IdempotencyRecord, OutboxEvent
from opticshop.customers.models import Customer
from tests.factories import CustomerFactory
from tests.workshop.conftest import JOBS, bench, order, world

pytestmark = pytest.mark.django_db
__all__ = ["bench", "order", "world"]
KEY = {"Idempotency-Key": "k-1"}


def test_a_post_that_says_nothing_of_it_is_done_once(api, manager, mill):
    body = {"branch": str(mill.id), "given_name": "Wren", "family_name": "Alder"}
    first, again = (api(manager).post("/api/v1/customers/", body, headers=KEY) for _ in range(2))
    assert (first.status_code, again.status_code, again["Idempotent-Replayed"]) == (201, 201, "true")
    assert again.content == first.content
    assert Customer.objects.everywhere("test").count() == OutboxEvent.objects.count() == 1
    other = api(manager).post("/api/v1/customers/", {**body, "given_name": "Rowan"}, headers=KEY)
    assert (other.status_code, other.json()["code"]) == (422, "core.idempotency_key_reused")


def test_a_refused_step_gives_its_key_back(api, manager, mill):
    url = f"/api/v1/customers/{CustomerFactory(branch=mill).id}/address-right/"
    assert api(manager).post(url, {"way": "email"}, headers=KEY).status_code == 409
    assert not IdempotencyRecord.objects.exists()


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("webhook-endpoints/", {"url": "https://example.org/hook", "event_types": ["billing.payment_taken"]}),
        ("calendar-feeds/", {"what": "everything", "name": "Shop"}),
    ],
)
def test_what_tells_a_secret_once_keeps_no_answer(api, head_office, mill, path, body):
    answer = api(head_office).post(f"/api/v1/{path}", {**body, "branch": str(mill.id)}, headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (400, "core.idempotency_key_not_taken")
    assert not IdempotencyRecord.objects.exists()
    assert not OutboxEvent.objects.exists()


def test_an_upload_takes_no_key(api, manager):
    answer = api(manager).post("/api/v1/imports/", {}, format="multipart", headers=KEY)
    assert (answer.status_code, answer.json()["code"]) == (400, "core.idempotency_key_not_taken")


def test_a_step_at_the_bench_is_done_once(bench):
    first, again = (bench.client.post(f"{JOBS}{bench.job_id}/claim/", {}, headers=KEY) for _ in range(2))
    assert (first.status_code, again.status_code, again.content) == (200, 200, first.content)
    assert bench.job.version == 2
