"""Traces, ids of requests through jobs, and the log of slow statements.

Names of attributes are those of the semantic conventions of OpenTelemetry for HTTP and for databases (their
stable parts), taken from the package ``opentelemetry.semconv`` and not from ours; the form of ``traceparent`` is that
of W3C Trace Context, 3.2."""

from __future__ import annotations

import logging
import re
import subprocess
import sys

import pytest
from django.db import connection, transaction
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.semconv.attributes import db_attributes, http_attributes
from opentelemetry.trace import SpanKind

from opticshop.audit.models import AuditEntry
from opticshop.config import logs, telemetry
from opticshop.core import acting, outbox, spans
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from tests.orders.conftest import world
from tests.workshop.conftest import order

__all__ = ["order", "world"]

ID = "a-request-of-a-till-0001"
TRACEPARENT = re.compile(r"00-[0-9a-f]{32}-[0-9a-f]{16}-[0-9a-f]{2}")
PERSON = {"given_name": "Xanthiaq", "family_name": "Quillonmark", "birth_date": "1961-07-23"}


@pytest.fixture
def told():
    """Spans that were ended, in that order."""
    exporter, provider = InMemorySpanExporter(), TracerProvider()
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    telemetry.use(provider)
    yield exporter.get_finished_spans
    telemetry.use(None)


@pytest.fixture
def later():
    """A handler that runs after the request and changes a row, as they do."""
    seen = []

    def handle(event):
        with connection.cursor() as cursor:
            cursor.execute("UPDATE branches_branch SET name = name || '.' ")
        seen.append(acting.current().request_id)
        outbox.record(event_type="study.followed", subject="s", actor=system("t"), branch_id=None, data={})

    outbox.subscribe("customers.registered", "study.later")(handle)
    outbox.subscribe("study.followed", "study.last")(lambda event: seen.append(acting.current().request_id))
    yield seen
    outbox.unsubscribe("customers.registered", "study.later")
    outbox.unsubscribe("study.followed", "study.last")


def register(api, clerk, mill, **headers):
    body = {**PERSON, "branch": str(mill.id)}
    answer = api(clerk).post(
        "/api/v1/customers/", body, headers={"X-Request-ID": ID, "Idempotency-Key": "k" * 20, **headers}
    )
    assert answer.status_code == 201, answer.content
    return answer


@pytest.mark.django_db(transaction=True)
def test_one_trace_goes_from_the_request_to_what_its_event_causes(api, clerk, mill, told, later):
    register(api, clerk, mill)
    outbox.deliver_all()
    found = told()
    [request] = [each for each in found if each.kind is SpanKind.SERVER]
    assert request.name == "POST /api/v1/customers/"
    assert request.attributes[http_attributes.HTTP_ROUTE] == "/api/v1/customers/"
    assert request.attributes[http_attributes.HTTP_REQUEST_METHOD] == "POST"
    assert request.attributes[http_attributes.HTTP_RESPONSE_STATUS_CODE] == 201
    assert request.attributes["opticshop.request_id"] == ID

    def below(parent, kind, name):
        return [
            each
            for each in found
            if each.parent and each.parent.span_id == parent.context.span_id and each.kind is kind and name in each.name
        ]

    [outermost] = below(request, SpanKind.INTERNAL, "core.api.")
    [service] = below(outermost, SpanKind.INTERNAL, "customers.services.")
    [written] = below(service, SpanKind.CLIENT, "INSERT core_outboxevent")
    assert written.attributes[db_attributes.DB_OPERATION_NAME] == "INSERT"
    assert written.attributes[db_attributes.DB_COLLECTION_NAME] == "core_outboxevent"
    assert written.attributes[db_attributes.DB_SYSTEM_NAME] == connection.vendor
    [delivery] = below(service, SpanKind.CONSUMER, "deliver study.later")
    assert delivery.attributes["opticshop.request_id"] == ID
    assert below(delivery, SpanKind.CLIENT, "UPDATE branches_branch")
    [last] = below(delivery, SpanKind.CONSUMER, "deliver study.last")
    assert {each.context.trace_id for each in (request, service, written, delivery, last)} == {request.context.trace_id}
    everything = str([each.to_json() for each in found])
    assert not [value for value in PERSON.values() if value in everything], "no value of a person is in a span"


@pytest.mark.django_db
def test_the_id_of_a_request_goes_with_its_events_into_jobs_their_log_and_the_trail(api, clerk, mill, later, caplog):
    register(api, clerk, mill)
    event = OutboxEvent.objects.get(type="customers.registered")
    assert (event.request_id, event.traceparent) == (ID, ""), "tracing is off"
    outbox.deliver_all()
    assert later == [ID, ID], "through an event that an event led to"
    assert OutboxEvent.objects.get(type="study.followed").request_id == ID
    changed = AuditEntry.objects.filter(table_name="branches_branch", actor_label="system:study.later")
    assert {entry.request_id for entry in changed} == {ID}
    with acting.system_acting("study", request_id=ID):
        line = logs.line_formatter().format(logging.makeLogRecord({"msg": "words", "name": "n"}))
    assert f"[{ID}]" in line


@pytest.mark.django_db(transaction=True)
def test_what_the_outbox_keeps_is_a_traceparent_of_the_service_function(api, clerk, mill, told):
    register(api, clerk, mill)
    kept = OutboxEvent.objects.get(type="customers.registered").traceparent
    assert TRACEPARENT.fullmatch(kept)
    [service] = [each for each in told() if format(each.context.span_id, "016x") == kept.split("-")[2]]
    assert service.name.startswith("customers.services.")


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("behind_proxy", [True, False])
def test_a_trace_that_a_caller_began_is_gone_on_with_behind_our_proxy_only(client, told, settings, behind_proxy):
    settings.OPTICSHOP_BEHIND_PROXY = behind_proxy
    theirs = "0af7651916cd43dd8448eb211c80319c"  # the example of W3C Trace Context
    client.get("/api/v1/me/", headers={"traceparent": f"00-{theirs}-b7ad6b7169203331-01"})
    [request] = [each for each in told() if each.kind is SpanKind.SERVER]
    assert (format(request.context.trace_id, "032x") == theirs) is behind_proxy


@pytest.mark.django_db(transaction=True)
def test_a_transaction_within_one_is_no_use_case_of_its_own_and_an_error_is_told_by_its_kind(told):
    with pytest.raises(ValueError, match="Quillonmark"), spans.span("work"):
        acted()
    names = [each.name for each in told() if each.kind is SpanKind.INTERNAL]
    assert names == ["transaction", "work"]
    assert all(each.attributes["error.type"] == "ValueError" for each in told() if each.kind is SpanKind.INTERNAL)
    assert "Quillonmark" not in str([each.to_json() for each in told()])


@transaction.atomic
def acted():
    with transaction.atomic():
        raise ValueError("Quillonmark")


def test_without_tracing_nothing_is_made(db):
    with spans.span("work") as made:
        assert made is None
    assert not spans.is_recording()
    assert spans.traceparent() == ""
    assert transaction.Atomic.__enter__ is telemetry._PLAIN[0]


def test_the_service_starts_without_the_extra_and_says_so_when_it_is_asked_for():
    code = (
        "import sys; sys.modules['opentelemetry'] = None\n"
        "import django; django.setup()\n"
        "from opticshop.core import spans; print('started', spans.is_installed())"
    )
    environment = {"DJANGO_SETTINGS_MODULE": "opticshop.config.settings.base", "PATH": "/usr/bin:/bin"}
    plain = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert plain.stdout.split() == ["started", "False"], plain.stderr
    asked = subprocess.run(
        [sys.executable, "-c", code], env=environment | {"OPTICSHOP_TRACES": "otlp"}, capture_output=True, text=True
    )
    assert asked.returncode != 0
    assert "requirements/tracing.txt" in asked.stderr


# --- slow statements ----------------------------------------------------------------------------------------------
@pytest.mark.django_db
def test_a_slow_statement_is_told_without_its_values(settings, caplog):
    settings.OPTICSHOP_SLOW_QUERY_MS = 0
    with caplog.at_level(logging.WARNING, "opticshop.slow"), connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM branches_branch WHERE name = %s", ["Quillonmark"])
        assert caplog.records == []
        settings.OPTICSHOP_SLOW_QUERY_MS = 0.0001
        with acting.system_acting("study"):
            cursor.execute(
                "SELECT count(*) FROM branches_branch WHERE name = %s AND code <> 'O''Quillonmark' AND version < 4711",
                ["Quillonmark"],
            )
    [record] = caplog.records
    said = record.getMessage()
    assert "1 parameters, by system:study: SELECT count(*) FROM branches_branch WHERE name = %s AND code <> ?" in said
    assert "Quillonmark" not in said
    assert "4711" not in said


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("SELECT  1,\n 'a b', $$x 'y'$$", "SELECT ?, ?, ?"),
        ('SELECT "t1"."name2" FROM t1 LIMIT 21', 'SELECT "t1"."name2" FROM t1 LIMIT ?'),
        ("SELECT 'it''s' WHERE a = -3.25", "SELECT ? WHERE a = -?"),
        ("SELECT %s, %(name)s", "SELECT %s, %(name)s"),
    ],
)
def test_values_in_a_statement_are_masked(sql, said):
    assert telemetry.plain(sql) == said
