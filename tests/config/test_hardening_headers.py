"""What browsers are told. After the OWASP HTTP Headers and REST Security cheat sheets, from memory; CSP Level 3."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.test import Client

from opticshop.accounts import services
from opticshop.config import policies
from opticshop.core.actor import system
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
PAGES = ("/", "/docs/", "/docs/reference/", "/problems/", "/sign-in/")
OTHERS = (
    "/api/v1/me/",
    "/api/v1/customers/",
    "/api/v1/nothing-here/",
    "/fhir/r4/metadata",
    "/fhir/r4/Patient",
    "/calendars/nobody.ics",
    "/health/live",
    "/metrics",
    "/problems/no.such",
    "/no-such-page",
    "/oauth/authorize/",
    "/admin/",
)
BACK = "https://counter.example.org/back"


def policy(response):
    pieces = response["Content-Security-Policy"].split("; ")
    return {name: words.split() for name, _, words in (piece.partition(" ") for piece in pieces)}


@pytest.mark.parametrize("path", [*PAGES, *OTHERS])
def test_every_kind_of_answer_says_what_may_be_done_with_it(client, path):
    response = client.get(path)
    said = policy(response)
    assert said["default-src"] == said["base-uri"] == said["frame-ancestors"] == ["'none'"]
    assert "'unsafe-inline'" not in said.get("script-src", [])
    assert "'unsafe-eval'" not in str(said)
    assert "*" not in str(said)
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["X-Frame-Options"] == "DENY"
    assert response["Referrer-Policy"] == "same-origin"
    assert response["Cross-Origin-Resource-Policy"] == "same-origin"
    assert response["Permissions-Policy"].count("=()") > 5
    if path != "/docs/":  # its sign-in opens a window that has to find it again
        assert response["Cross-Origin-Opener-Policy"] == "same-origin"
    if path not in PAGES and response.status_code != 302:
        assert said == {name: ["'none'"] for name in ("default-src", "base-uri", "form-action", "frame-ancestors")}


@pytest.mark.parametrize("path", PAGES)
def test_scripts_and_styles_of_a_page_are_those_its_policy_names(client, path):
    response = client.get(path)
    page, said = response.content.decode(), policy(response)
    for kind in ("script", "style"):
        allowed = said.get(f"{kind}-src", [])
        for attributes, words in re.findall(rf"<{kind}\b([^>]*)>(.*?)</{kind}>", page, re.DOTALL):
            if 'type="application/json"' in attributes or (not words.strip() and "src=" in attributes):
                continue
            nonce = re.search(r'nonce="([^"]+)"', attributes)
            by_nonce = nonce is not None and f"'nonce-{nonce[1]}'" in allowed
            assert by_nonce or (kind == "style" and "'unsafe-inline'" in allowed), attributes
    assert not re.search(r"<[a-z]+\s[^>]*\son[a-z]+=", page), "a handler written into the page would not run"
    assert path.startswith("/docs/") or not re.search(r"<[a-z]+\s[^>]*\sstyle=", page), "it would not be drawn"


def test_a_nonce_is_used_once(client):
    first, second = (re.search(r"'nonce-([^']+)'", client.get("/")["Content-Security-Policy"])[1] for _ in range(2))
    assert first != second
    assert len(first) >= 22  # 128 bits (CSP Level 3, 7.1)


def test_no_template_of_ours_has_a_script_or_style_without_nonce():
    for file in Path(policies.__file__).parent.glob("templates/*.html"):
        for tag in re.findall(r"<(?:script|style)\b[^>]*>", file.read_text()):
            assert "nonce" in tag or "src=" in tag or file.name == "reference.html", f"{file.name}: {tag}"


def test_drawings_and_papers_are_shut_off(rf):
    from django.http import HttpResponse

    request = rf.get("/api/v1/x")
    drawing = policies.policy_for(request, HttpResponse(content_type="image/svg+xml; charset=utf-8"))
    assert "sandbox" in drawing
    assert "script-src" not in drawing
    assert policies.policy_for(request, HttpResponse(content_type="application/pdf"))["default-src"] == ["'none'"]


def test_personal_answers_are_not_kept_and_still_answered_304(api, clerk, mill):
    url = f"/api/v1/customers/{CustomerFactory(branch=mill).id}/"
    first = api(clerk).get(url)
    assert first["Cache-Control"] == "no-store"
    again = api(clerk).get(url, headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again["Cache-Control"], again.content) == (304, "no-store", b"")
    assert "no-store" in Client().get("/api/v1/customers/")["Cache-Control"]


def test_a_failure_before_any_view_keeps_its_headers(client):
    response = client.get("/api/v1/customers/", headers={"Host": "elsewhere.example"})
    assert response.status_code == 400
    assert response["Content-Type"] == "application/problem+json"
    assert response["X-Content-Type-Options"] == "nosniff"


def test_a_form_leads_where_the_client_is_registered_and_nowhere_else(clerk):
    """CSP Level 3, 4.2.4: form-action is held against the redirects after a form as well."""
    client_id = services.staff_client_register(actor=system("test"), name="counter app", redirect_uris=[BACK])
    browser = Client()
    for back, allowed in ((BACK, True), ("https://elsewhere.example/back", False), (BACK + "/../x", False)):
        asked = {"client_id": client_id, "redirect_uri": back}
        signing_in = browser.get("/sign-in/", {"next": "/oauth/authorize/?" + "&".join(map("=".join, asked.items()))})
        for response in (signing_in, browser.get("/oauth/authorize/", asked)):
            if response["Content-Type"].startswith("text/html") and response.status_code == 200:
                expected = ["'self'", *(["https://counter.example.org"] if allowed else [])]
                assert policy(response)["form-action"] == expected
    assert policy(browser.get("/sign-in/", {"next": f"{BACK}?client_id={client_id}"}))["form-action"] == ["'self'"]
