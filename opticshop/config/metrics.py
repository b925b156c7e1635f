"""``/metrics``: what a monitor scrapes, in the text format of Prometheus.

Requests are counted in the processes that serve them. With several (gunicorn), ``PROMETHEUS_MULTIPROC_DIR`` names a
directory where each keeps its counters and any of them answers for all; it is emptied before the start. Everything
else is read from rows, which are the same whichever process answers.
"""

from __future__ import annotations

import hmac
import os
import re
import time
from collections.abc import Callable, Iterable

from django.conf import settings
from django.db import connection
from django.http import HttpRequest, HttpResponse
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from opticshop.core import replica

from . import measuring

Get = Callable[[HttpRequest], HttpResponse]

#: The registry of this service alone; nothing that a library registers by itself is told.
HERE = CollectorRegistry()
REQUESTS = Counter("opticshop_http_requests", "Requests answered", ["method", "route", "status"], registry=HERE)
SECONDS = Histogram(
    "opticshop_http_request_seconds",
    "How long an answer took",
    ["method", "route"],
    registry=HERE,
    buckets=(0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10),
)
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_GROUP = re.compile(r"\(\?P<(\w+)>[^()]*(?:\([^()]*\)[^()]*)*\)|<(?:\w+:)?(\w+)>")


class MetricsMiddleware:
    """Counts each request by the template of its route, never by its path: no id becomes a label."""

    def __init__(self, get_response: Get) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        began = time.perf_counter()
        response = self.get_response(request)
        match = request.resolver_match
        route = template_of(match.route) if match else "none"
        method = request.method if request.method in METHODS else "other"
        REQUESTS.labels(method, route, str(response.status_code)).inc()
        SECONDS.labels(method, route).observe(time.perf_counter() - began)
        return response


def template_of(route: str) -> str:
    """``api/v1/^orders/(?P<pk>[^/.]+)/$`` -> ``/api/v1/orders/{pk}/``."""
    named = _GROUP.sub(lambda found: "{" + (found[1] or found[2]) + "}", route)
    return "/" + named.replace("^", "").replace("$", "").replace("\\", "").rstrip("?").lstrip("/")


class Rows(Collector):
    """What the rows say, in a fixed number of queries."""

    def collect(self) -> Iterable[Metric]:
        yield from _waiting()
        yield from _duties()
        yield from _counted()
        yield from _pool()
        yield from _server()
        yield from _replica()


def _waiting() -> Iterable[Metric]:
    ages = GaugeMetricFamily(
        "opticshop_queue_age_seconds", "Age of the oldest that is due", labels=["queue", "channel"]
    )
    depths = GaugeMetricFamily(
        "opticshop_queue_depth",
        f"How many are due, counted up to {measuring.MOST_COUNTED}",
        labels=["queue", "channel"],
    )
    waiting = [("events", "", *measuring.events_waiting()), ("webhooks", "", *measuring.webhooks_waiting())]
    waiting += measuring.messages_waiting()
    for queue, channel, oldest, depth in waiting:
        ages.add_metric([queue, channel], oldest)
        depths.add_metric([queue, channel], depth)
    yield from (ages, depths)


def _duties() -> Iterable[Metric]:
    ages = GaugeMetricFamily("opticshop_duty_success_age_seconds", "Since the last run that succeeded", labels=["duty"])
    late = GaugeMetricFamily("opticshop_duty_late", "1 when it has not succeeded for too long", labels=["duty"])
    runs = CounterMetricFamily("opticshop_duty_runs", "Runs that ended, by how", labels=["duty", "outcome"])
    for run in measuring.duty_runs():
        name = run["duty"].name
        if run["succeeded_at"] is not None:
            ages.add_metric([name], measuring.age(run["succeeded_at"]))
        late.add_metric([name], int(run["late"]))
        runs.add_metric([name, "failed"], run["failures"])
        runs.add_metric([name, "succeeded"], run["runs"] - run["failures"])
    yield from (ages, late, runs)


def _counted() -> Iterable[Metric]:
    figures = measuring.whole_tables()
    if not figures:
        return
    taken = GaugeMetricFamily("opticshop_counted_age_seconds", "Age of the figures that are counted by a duty")
    taken.add_metric([], measuring.age(figures["taken_at"]))
    messages = GaugeMetricFamily(
        "opticshop_messages", "Messages by state", labels=["branch", "channel", "kind", "state"]
    )
    for branch, channel, kind, state, count in figures["messages"]:
        messages.add_metric([branch, channel, kind, state], count)
    dead = GaugeMetricFamily("opticshop_dead_deliveries", "Given up; somebody has to look", labels=["queue", "handler"])
    for handler, count in figures["dead_events"]:
        dead.add_metric(["events", handler], count)
    dead.add_metric(["webhooks", ""], figures["dead_webhooks"])
    recalls = GaugeMetricFamily(
        "opticshop_recalls", "Recalls due in the last year, and of these", labels=["branch", "policy", "what"]
    )
    rates = GaugeMetricFamily(
        "opticshop_recall_return_rate",
        "Of the people told of a recall that was due in the last year, those with a newer prescription within 90 days",
        labels=["branch", "policy"],
    )
    of_due = GaugeMetricFamily(
        "opticshop_recall_return_of_due_rate",
        "The same of all who were due, told or not",
        labels=["branch", "policy"],
    )
    for branch, policy, due, told, returned in figures.get("recalls", ()):
        for what, count in (("due", due), ("told", told), ("returned", returned)):
            recalls.add_metric([branch, policy, what], count)
        if told:
            rates.add_metric([branch, policy], returned / told)
        if due:
            of_due.add_metric([branch, policy], returned / due)
    ahead = GaugeMetricFamily(
        "opticshop_partition_months_ahead", "Months after this one for which there is a partition", labels=["table"]
    )
    for table, months in figures.get("partitions", ()):
        ahead.add_metric([table], months)
    yield from (taken, messages, dead, recalls, rates, of_due, ahead)


def _pool() -> Iterable[Metric]:
    """Of the process that answers; SQLite has no pool."""
    pool = getattr(connection, "pool", None)
    if pool is None:
        return
    stats = pool.get_stats()
    found = GaugeMetricFamily("opticshop_database_pool", "Connections of the process that answered", labels=["what"])
    for what in ("pool_size", "pool_available", "pool_max", "requests_waiting"):
        found.add_metric([what], stats.get(what, 0))
    found.add_metric(["pool_in_use"], stats.get("pool_size", 0) - stats.get("pool_available", 0))
    yield found


def _server() -> Iterable[Metric]:
    if not (counts := measuring.database_connections()):
        return
    found = GaugeMetricFamily("opticshop_database_connections", "Connections of the server by state", labels=["what"])
    for what, count in counts.items():
        found.add_metric([what], count)
    yield found


def _replica() -> Iterable[Metric]:
    """As the process that answers sees the copy; there is no lag to tell while it is away."""
    if not replica.is_configured():
        return
    state = replica.state()
    fit = GaugeMetricFamily("opticshop_replica_fit", "1 while reports are read from the copy of the database")
    fit.add_metric([], int(state.is_fit))
    yield fit
    if state.lag is not None:
        lag = GaugeMetricFamily("opticshop_replica_lag_seconds", "How far the copy is behind, at most")
        lag.add_metric([], state.lag)
        yield lag


def text() -> bytes:
    registry = CollectorRegistry()
    registry.register(Rows())
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        return generate_latest(registry)
    return generate_latest(registry) + generate_latest(HERE)


def metrics(request: HttpRequest) -> HttpResponse:
    """For whoever shows ``OPTICSHOP_METRICS_TOKEN``; without such a token only for this machine, and no proxy."""
    if not _may_read(request):
        answer = HttpResponse("This needs the token of the metrics.\n", status=401, content_type="text/plain")
        answer["WWW-Authenticate"] = "Bearer"
        return answer
    return HttpResponse(text(), content_type=CONTENT_TYPE_LATEST)


def _may_read(request: HttpRequest) -> bool:
    token = settings.OPTICSHOP_METRICS_TOKEN
    if token:
        return hmac.compare_digest(request.headers.get("Authorization", "").encode(), f"Bearer {token}".encode())
    passed_on = "X-Forwarded-For" in request.headers or "Forwarded" in request.headers
    return not passed_on and request.META.get("REMOTE_ADDR") in {"127.0.0.1", "::1"}
