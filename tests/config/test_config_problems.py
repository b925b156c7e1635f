"""Every failure under /api/ has the same shape, also those that never reach a view."""

from __future__ import annotations

import pytest
from django.db import InterfaceError, OperationalError, ProgrammingError, connection
from django.test import Client
from django.utils.html import escape

from opticshop.core.errors import all_errors

pytestmark = pytest.mark.django_db


def assert_problem(response, status):
    assert response.status_code == status
    assert response["Content-Type"] == "application/problem+json"
    body = response.json()
    assert body["status"] == status
    assert {"type", "title", "detail", "instance", "code", "request_id"} <= set(body)
    assert body["type"] == f"/problems/{body['code']}"
    assert response["X-Request-ID"] == body["request_id"]
    assert "Traceback" not in response.content.decode()
    return body


def test_not_signed_in(client):
    assert_problem(client.get("/api/v1/customers/"), 401)


def test_no_such_route(client):
    assert_problem(client.get("/api/v1/nothing-here/"), 404)


def test_method_not_offered(api, clerk):
    assert_problem(api(clerk).delete("/api/v1/customers/"), 405)


def test_not_json(api, clerk):
    assert_problem(api(clerk).post("/api/v1/customers/", "a=b", content_type="text/plain"), 415)


def test_broken_json(api, clerk):
    assert_problem(api(clerk).post("/api/v1/customers/", "{", content_type="application/json"), 400)


def test_not_acceptable(api, clerk):
    assert_problem(api(clerk).get("/api/v1/customers/", headers={"Accept": "text/csv"}), 406)


@pytest.mark.parametrize("body", ["[]", "null", '"text"', "1", '{"branch": {"a": 1}}', '{"branch": [1]}'])
def test_the_wrong_kind_of_json(api, clerk, body):
    assert_problem(api(clerk).post("/api/v1/customers/", body, content_type="application/json"), 400)


@pytest.mark.parametrize("query", ["cursor=abc", "branch=1", "birth_date=yesterday", "phone=x"])
def test_a_malformed_query(api, clerk, query):
    response = api(clerk).get(f"/api/v1/customers/?{query}")
    assert response.status_code in {400, 404, 422}, response.content
    assert_problem(response, response.status_code)


def test_an_unforeseen_failure_tells_nothing_but_the_request_id(api, clerk, monkeypatch):
    from opticshop.customers.api import CustomerViewSet

    def broken(*args):
        raise RuntimeError("secret detail")

    monkeypatch.setattr(CustomerViewSet, "selector", staticmethod(broken))
    monkeypatch.setattr("opticshop.core.kept._kept", {})
    body = assert_problem(api(clerk).get("/api/v1/customers/", headers={"X-Request-ID": "given-by-me-1"}), 500)
    assert body["request_id"] == "given-by-me-1"
    assert "secret" not in str(body)


class Reported(Exception):
    """What a driver raises, with its SQLSTATE; None where the server was not reached."""

    def __init__(self, sqlstate):
        self.sqlstate = sqlstate


def failing(monkeypatch, error, sqlstate):
    """The list of customers meets an error of the database, as Django hands it on."""
    from opticshop.customers.api import CustomerViewSet

    def broken(*args):
        raise error from Reported(sqlstate)

    monkeypatch.setattr(CustomerViewSet, "selector", staticmethod(broken))
    monkeypatch.setattr("opticshop.core.kept._kept", {})
    monkeypatch.setattr(connection, "vendor", "postgresql")


# States from appendix A of the documentation of PostgreSQL; RFC 9110, 10.2.3 and 15.6.4: 503 with Retry-After.
@pytest.mark.parametrize(
    ("error", "sqlstate", "code"),
    [
        (OperationalError("connection refused"), None, "core.database_away"),
        (OperationalError("connection failure"), "08006", "core.database_away"),
        (OperationalError("too many connections"), "53300", "core.database_away"),
        (OperationalError("terminating connection due to administrator command"), "57P01", "core.database_away"),
        (OperationalError("the database system is starting up"), "57P03", "core.database_away"),
        (InterfaceError("connection already closed"), None, "core.database_away"),
        (OperationalError("deadlock detected"), "40P01", "core.busy"),
        (OperationalError("canceling statement due to statement timeout"), "57014", "core.took_too_long"),
    ],
)
def test_a_database_that_does_not_answer_is_503_with_retry_after(api, clerk, monkeypatch, error, sqlstate, code):
    failing(monkeypatch, error, sqlstate)
    response = api(clerk).get("/api/v1/customers/")
    body = assert_problem(response, 503)
    assert body["code"] == code
    assert int(response["Retry-After"]) >= 1
    assert str(error) not in str(body)


def test_an_error_of_ours_in_the_database_stays_500(api, clerk, monkeypatch):
    failing(monkeypatch, ProgrammingError("no such table"), "42P01")
    assert_problem(api(clerk).get("/api/v1/customers/"), 500)


def test_a_database_that_is_away_where_no_view_is_reached(client, monkeypatch):
    def broken(*args):
        raise OperationalError("connection refused")

    monkeypatch.setattr("opticshop.core.api.ApiViewSet.dispatch", broken)
    monkeypatch.setattr(connection, "vendor", "postgresql")
    client.raise_request_exception = False
    response = client.get("/api/v1/customers/")
    assert assert_problem(response, 503)["code"] == "core.database_away"
    assert response["Retry-After"] == "5"


def test_every_kind_of_problem_has_its_page(client):
    for kind in all_errors():
        page = client.get(f"/problems/{kind.code}")
        assert page.status_code == 200, kind
        assert escape(kind.title) in page.content.decode()
    assert client.get("/problems/no.such").status_code == 404


def test_front_page_docs_and_health(client):
    front = client.get("/").content.decode()
    for path in ("/docs/", "/docs/reference/", "/api/schema/", "/problems/", "/admin/", "/health/ready"):
        assert f'href="{path}"' in front
        assert client.get(path).status_code in {200, 302}, path
    assert client.get("/health/ready").json()["parts"]["database"] == "ok"


def test_documentation_pages_load_nothing_from_another_host(client):
    for path in ("/docs/", "/docs/reference/"):
        page = client.get(path).content.decode()
        for attribute in ("src=", "href="):
            for piece in page.split(attribute)[1:]:
                assert not piece.lstrip("\"'").startswith(("http", "//")), piece[:80]


def test_csrf_guards_sessions(clerk, mill):
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(clerk)
    body = {"branch": str(mill.id), "given_name": "A", "family_name": "B"}
    assert browser.post("/api/v1/customers/", body, content_type="application/json").status_code == 403


@pytest.mark.parametrize(
    "body",
    ["[" * 20000, '{"a":' * 3000, '{"a":' * 100 + "1" + "}" * 100, '{"\\ud800": 1}', '{"given_name": "\\ud800"}'],
    ids=["open brackets", "open braces", "too deep", "half a character as key", "half a character as value"],
)
def test_hostile_json_is_refused(api, clerk, body):
    assert_problem(api(clerk).post("/api/v1/customers/", body, content_type="application/json"), 400)


@pytest.mark.parametrize("cursor", ["cD0lMDA=", "cj0xJnA9", "cD1hYmM="])
def test_a_cursor_of_no_page_of_ours_is_not_found(api, clerk, cursor):
    assert_problem(api(clerk).get(f"/api/v1/customers/?cursor={cursor}"), 404)


@pytest.mark.parametrize("size", ["abc", "0", "-5", "１２"])
def test_a_page_size_is_a_whole_number(api, clerk, size):
    assert_problem(api(clerk).get("/api/v1/customers/", {"page_size": size}), 400)


def test_an_endless_if_match_is_a_mismatch(api, clerk, mill):
    from tests.factories import CustomerFactory

    url = f"/api/v1/customers/{CustomerFactory(branch=mill).id}/"
    assert_problem(api(clerk).patch(url, {"note": "x"}, headers={"If-Match": f'"{"9" * 5000}"'}), 412)


def test_types_of_the_framework_and_the_optics_have_their_page_too(client):
    for code in ("core.malformed", "http.internal", "http.not_signed_in", "optics.singular_power"):
        assert client.get(f"/problems/{code}").status_code == 200
