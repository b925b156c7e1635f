"""``/metrics``: read by the parser of prometheus_client, which follows the published text format of Prometheus."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from opticshop.config import measuring, metrics
from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.leases import run_leased
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.correspondence.models import Message
from opticshop.reminders.figures import RecallFigures, Returns
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db


def scraped(**headers) -> dict[tuple[str, frozenset], float]:
    answer = Client().get("/metrics", **headers)
    assert answer.status_code == 200, answer.content
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(answer.content.decode())
        for sample in family.samples
    }


def value(found, name: str, **labels: str) -> float:
    return found[name, frozenset(labels.items())]


def delivery(**details) -> EventDelivery:
    event = OutboxEvent.objects.create(type="test.happened", subject="x/1", actor_label="test")
    return EventDelivery.objects.create(event=event, handler="test.listener", **details)


def message(customer, number: int, **details) -> Message:
    return Message.objects.create(
        branch=customer.branch,
        customer=customer,
        kind="ready_for_collection",
        subject_ref=f"orders/{number}",
        channel=details.pop("channel", "console"),
        **details,
    )


def test_what_waits_is_told_with_the_age_of_the_oldest(mill):
    now, customer = clock.now(), CustomerFactory(branch=mill)
    delivery(due_at=now - dt.timedelta(seconds=90))
    delivery(due_at=now - dt.timedelta(seconds=30))
    delivery(due_at=now + dt.timedelta(hours=1))
    message(customer, 1, due_at=now - dt.timedelta(minutes=5))
    message(customer, 2, due_at=now - dt.timedelta(minutes=3), channel="post")
    message(customer, 3, due_at=now + dt.timedelta(minutes=3))
    found = scraped()
    assert value(found, "opticshop_queue_age_seconds", queue="events", channel="") == 90
    assert value(found, "opticshop_queue_depth", queue="events", channel="") == 2
    assert value(found, "opticshop_queue_age_seconds", queue="messages", channel="console") == 300
    assert value(found, "opticshop_queue_depth", queue="messages", channel="post") == 1
    assert value(found, "opticshop_queue_depth", queue="webhooks", channel="") == 0


def test_what_needs_whole_tables_is_counted_by_a_duty(mill):
    customer = CustomerFactory(branch=mill)
    message(customer, 1, state="sent")
    message(customer, 2, state="sent")
    message(customer, 3, state="failed")
    delivery(state="dead")
    assert not [name for name, _ in scraped() if name == "opticshop_messages"], "not counted yet"
    run_duty("config.measure")
    labels = {"branch": "MILL", "channel": "console", "kind": "ready_for_collection"}
    with clock.at(clock.now() + dt.timedelta(seconds=40)):
        found = scraped()
    assert value(found, "opticshop_messages", **labels, state="sent") == 2
    assert value(found, "opticshop_messages", **labels, state="failed") == 1
    assert value(found, "opticshop_dead_deliveries", queue="events", handler="test.listener") == 1
    assert value(found, "opticshop_counted_age_seconds") == 40


def test_how_many_come_back_is_told_by_branch_and_policy(mill, monkeypatch):
    came, stayed = Returns(mill.id, "prescription-expiry", 4, 3, 1, 0), Returns(mill.id, "another", 0, 0, 0, 2)
    monkeypatch.setattr(measuring, "recall_figures", lambda *args: RecallFigures([came, stayed], []))
    run_duty("config.measure")
    found = scraped()
    labels = {"branch": "MILL", "policy": "prescription-expiry"}
    assert value(found, "opticshop_recall_return_rate", **labels) == 1 / 3
    assert value(found, "opticshop_recall_return_of_due_rate", **labels) == 0.25
    assert value(found, "opticshop_recalls", **labels, what="told") == 3
    assert ("opticshop_recall_return_rate", frozenset({"branch": "MILL", "policy": "another"}.items())) not in found


def test_each_duty_tells_when_it_last_succeeded():
    run_leased("config.measure")
    with clock.at(clock.now() + dt.timedelta(seconds=70)):
        found = scraped()
    assert value(found, "opticshop_duty_success_age_seconds", duty="config.measure") == 70
    assert value(found, "opticshop_duty_late", duty="config.measure") == 0
    assert value(found, "opticshop_duty_late", duty="core.deliver_events") == 1
    assert value(found, "opticshop_duty_runs_total", duty="config.measure", outcome="succeeded") == 1


def test_requests_are_counted_by_route_never_by_id(api, clerk, mill):
    customer = CustomerFactory(branch=mill)
    route = "/api/v1/customers/{pk}/"
    before = metrics.REQUESTS.labels("GET", route, "200")._value.get()
    metrics.SECONDS.labels("GET", route)  # there from now on, with whatever was counted
    timed = value(scraped(), "opticshop_http_request_seconds_count", method="GET", route=route)
    assert api(clerk).get(f"/api/v1/customers/{customer.id}/").status_code == 200
    Client().get("/no/such/page/at/all")
    found = scraped()
    assert value(found, "opticshop_http_requests_total", method="GET", route=route, status="200") == before + 1
    assert value(found, "opticshop_http_request_seconds_count", method="GET", route=route) == timed + 1
    told = str(list(found))
    assert str(customer.id) not in told
    assert "no/such/page" not in told


@pytest.mark.parametrize(
    ("route", "template"),
    [
        ("api/v1/^orders/(?P<pk>[^/.]+)/$", "/api/v1/orders/{pk}/"),
        (r"api/v1/^orders/(?P<pk>[^/.]+)/lines/(?P<line>(?:left|right))\.(?P<format>[a-z0-9]+)/?$",
         "/api/v1/orders/{pk}/lines/{line}.{format}/"),
        ("problems/<str:code>", "/problems/{code}"),
        ("", "/"),
    ],
)  # fmt: skip
def test_a_route_is_told_without_its_patterns(route, template):
    assert metrics.template_of(route) == template


def test_a_scrape_makes_the_same_number_of_queries_however_much_waits(mill, queries):
    customer = CustomerFactory(branch=mill)
    few = queries(metrics.text)
    for number in range(20):
        delivery(due_at=clock.now())
        message(customer, number, channel=f"channel-{number}")
    assert queries(metrics.text) <= few + 1, "the depth is counted only where something waits"
    assert few <= 6


def test_with_a_token_nobody_reads_without_it(settings):
    settings.OPTICSHOP_METRICS_TOKEN = "a-token-of-the-test"
    assert Client().get("/metrics").status_code == 401
    assert Client().get("/metrics", headers={"Authorization": "Bearer another"}).status_code == 401
    assert scraped(headers={"Authorization": "Bearer a-token-of-the-test"})


def test_without_a_token_only_this_machine_reads():
    assert Client().get("/metrics", REMOTE_ADDR="192.0.2.7").status_code == 401
    assert Client().get("/metrics", headers={"X-Forwarded-For": "127.0.0.1"}).status_code == 401
    assert Client().get("/metrics", REMOTE_ADDR="::1").status_code == 200
