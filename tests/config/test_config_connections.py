"""How many connections a process takes, and what is answered when PostgreSQL gives no more or a statement takes too
long. Limits are those of PostgreSQL itself (its documentation, 20.3.1 and 20.11.1; SQLSTATE 53300 and 57014 are of
appendix A)."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections
from django.test import Client

from opticshop.config.backup import postgresql as server
from opticshop.config.backup.databases import in_place_of_default
from opticshop.config.postgresql import connection as limits


def in_process(kind: str, **environment: str) -> dict:
    """The limits of connections as a process of that kind reads them."""
    code = f"""
import {kind}
from django.conf import settings
for each in settings.DATABASES.values():
    del each["OPTIONS"]["pool"]["connection_class"]
print(settings.DATABASES)"""
    environment = {
        **os.environ,
        "DATABASE_URL": "postgresql://a:b@127.0.0.1/c",
        "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.base",
        **environment,
    }
    return ast.literal_eval(
        subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True).stdout
    )


def test_a_web_process_has_a_limit_for_statements_and_a_job_has_none():
    web = in_process("opticshop.config.wsgi", DATABASE_REPLICA_URL="postgresql://a:b@127.0.0.1/d")
    assert "statement_timeout=30000" in web["default"]["OPTIONS"]["options"]
    assert web["default"]["OPTIONS"]["application_name"] == "opticshop-web"
    assert web["replica"]["NAME"] == "d"
    assert "default_transaction_read_only=1" in web["replica"]["OPTIONS"]["options"]
    job = in_process("opticshop.config.celery", OPTICSHOP_DB_POOL="3")
    assert "statement_timeout=0" in job["default"]["OPTIONS"]["options"]
    assert "idle_in_transaction_session_timeout=120000" in job["default"]["OPTIONS"]["options"]
    assert job["default"]["OPTIONS"]["pool"]["max_size"] == 3
    assert "replica" not in job


on_postgresql = pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite is a file")


@pytest.fixture
def pooled(transactional_db, monkeypatch):
    """The service with a pool of three connections, as in production, to the database of the tests."""
    monkeypatch.setenv("OPTICSHOP_DB_POOL", "3")
    monkeypatch.setenv("OPTICSHOP_DB_STATEMENT_MS", "700")
    monkeypatch.setenv("OPTICSHOP_PROCESS", "opticshop-study")
    # An alias of its own, that each thread opens for itself from the one pool, as it does with the default.
    settings = connection.settings_dict | limits(writes=True)
    with in_place_of_default(settings):
        yield settings
        connections["default"].close_pool()


def ask(settings: dict, path: str) -> tuple[int, dict]:
    """One request by a thread of its own, whose connection comes from the pool."""
    with in_place_of_default(settings):
        client = Client(raise_request_exception=False)
        answer = client.get(path, headers={"Authorization": "Bearer of-nobody"})
        said = answer.json() if answer["Content-Type"] == "application/problem+json" else {}
        return answer.status_code, said | {"retry": answer.headers.get("Retry-After")}


def sessions() -> int:
    with server.psycopg.connect(**server.parameters(connection.settings_dict, application_name="watching")) as watching:
        row = watching.execute(
            "SELECT count(*) FROM pg_stat_activity "
            "WHERE application_name = 'opticshop-study' AND datname = current_database()"
        ).fetchone()
        return row[0]


@on_postgresql
def test_however_many_ask_at_once_a_process_takes_no_more_connections_than_its_pool(pooled, monkeypatch):
    monkeypatch.setattr("opticshop.config.pages._migrations", _slow_query)
    most, stop = [0], threading.Event()

    def watch() -> None:
        while not stop.is_set():
            most.append(sessions())
            time.sleep(0.02)

    watcher = threading.Thread(target=watch)
    watcher.start()
    with ThreadPoolExecutor(16) as crowd:
        answers = list(crowd.map(lambda _: ask(pooled, "/health/ready"), range(64)))
    stop.set()
    watcher.join()
    assert max(most) == 3
    assert {status for status, _ in answers} <= {200, 503}
    assert sum(status == 200 for status, _ in answers) > 32


def _slow_query() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_sleep(0.05)")
    return "ok"


@on_postgresql
def test_when_the_server_gives_no_more_connections_the_answer_is_503_with_retry_after(pooled):
    name = connection.settings_dict["NAME"]
    connection.close()
    connection.close_pool()
    beside = connection.settings_dict | {"NAME": "postgres"}

    def allow(count: int) -> None:
        with server.psycopg.connect(**server.parameters(beside), autocommit=True) as opened:
            opened.execute(f'ALTER DATABASE "{name}" CONNECTION LIMIT {count}')

    allow(0)
    try:
        status, said = ask(pooled, "/api/v1/me/")
        assert (status, said["code"]) == (503, "core.database_away")
        assert int(said["retry"]) >= 1
    finally:
        allow(-1)
    for _ in range(50):
        status, said = ask(pooled, "/api/v1/me/")
        if status != 503:
            break
        time.sleep(0.1)
    assert status == 401, "nobody has that token; the database is asked again without a restart"


@on_postgresql
def test_a_statement_that_takes_too_long_is_cut_off_and_the_answer_is_503(pooled, monkeypatch, clerk, api):
    from opticshop.customers.api import CustomerViewSet

    def slow(*args):
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_sleep(10)")

    monkeypatch.setattr(CustomerViewSet, "selector", staticmethod(slow))
    monkeypatch.setattr("opticshop.core.kept._kept", {})
    began = time.monotonic()
    answer = api(clerk).get("/api/v1/customers/")
    assert time.monotonic() - began < 5
    assert (answer.status_code, answer.json()["code"]) == (503, "core.took_too_long")
    assert int(answer["Retry-After"]) >= 1


@on_postgresql
def test_who_begins_a_transaction_and_does_nothing_loses_it(pooled, monkeypatch):
    monkeypatch.setenv("OPTICSHOP_DB_IDLE_MS", "200")
    idle = connection.settings_dict | limits(writes=True)
    with server.psycopg.connect(**server.parameters(idle)) as opened:
        opened.execute("SELECT 1")
        time.sleep(0.6)
        with pytest.raises(server.psycopg.errors.IdleInTransactionSessionTimeout):
            opened.execute("SELECT 1")


@on_postgresql
def test_the_metrics_tell_connections_of_the_server_and_of_the_pool(pooled):
    with in_place_of_default(pooled):
        said = Client().get("/metrics").content.decode()
    found = dict(re.findall(r"^(opticshop_database_\w+\{what=\"\w+\"\}) ([0-9.]+)$", said, re.MULTILINE))
    most = asked(
        "SELECT current_setting('max_connections')::int - current_setting('superuser_reserved_connections')::int"
    )
    assert float(found['opticshop_database_connections{what="most"}']) == most
    assert 1 <= float(found['opticshop_database_connections{what="open"}']) <= most
    assert float(found['opticshop_database_pool{what="pool_in_use"}']) >= 1
    assert float(found['opticshop_database_pool{what="pool_max"}']) == 3


def asked(question: str) -> int:
    with server.psycopg.connect(**server.parameters(connection.settings_dict)) as watching:
        return watching.execute(question).fetchone()[0]


@on_postgresql
def test_a_connection_is_looked_at_before_it_is_handed_out_and_the_server_asked_only_if_it_said_something(pooled):
    with in_place_of_default(pooled):
        connections["default"].ensure_connection()
        raw = connections["default"].connection
        who = raw.info.backend_pid
        assert raw.execute("").pgresult is None, "nothing was asked"
        connections["default"].close()
        with server.psycopg.connect(**server.parameters(pooled), autocommit=True) as beside:
            beside.execute("SELECT pg_terminate_backend(%s, 5000)", [who])
        with pytest.raises(server.psycopg.OperationalError):
            raw.execute("")
        connections["default"].close()
    status, _ = ask(pooled, "/api/v1/me/")
    assert status == 401, "answered by another connection"


@on_postgresql
def test_a_server_that_ended_all_connections_is_asked_by_new_ones(pooled):
    assert ask(pooled, "/api/v1/me/")[0] == 401
    with server.psycopg.connect(**server.parameters(pooled, application_name="watching"), autocommit=True) as beside:
        beside.execute(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity "
            "WHERE application_name = 'opticshop-study' AND datname = current_database()"
        )
    assert [ask(pooled, "/api/v1/me/")[0] for _ in range(4)] == [401] * 4


@on_postgresql
def test_the_programs_of_postgresql_take_what_a_process_is_set_to(pooled):
    server.run("psql", pooled, "--command", "SELECT 1")
