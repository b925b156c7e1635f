"""Signing in: OAuth2 client credentials, authorization code with PKCE, sessions; deny by default."""

from __future__ import annotations

import base64
import hashlib
import secrets
from urllib.parse import parse_qs, urlsplit

import pytest
from django.test import Client

from opticshop.accounts import services
from opticshop.accounts.access import actor_for
from opticshop.core.actor import system
from tests.factories import CustomerFactory

pytestmark = pytest.mark.django_db
SYSTEM = system("test")


def token_for(client, credentials, scope):
    basic = base64.b64encode(f"{credentials.client_id}:{credentials.client_secret}".encode()).decode()
    return client.post(
        "/oauth/token/",
        {"grant_type": "client_credentials", "scope": scope},
        headers={"Authorization": f"Basic {basic}"},
    )


def test_a_service_account_gets_a_token_narrowed_to_its_scopes(mill):
    CustomerFactory(branch=mill)
    credentials = services.service_client_register(actor=SYSTEM, name="till", role="counter", branch=mill)
    client = Client()
    answer = token_for(client, credentials, "customers:read")
    assert answer.status_code == 200, answer.content
    bearer = {"Authorization": f"Bearer {answer.json()['access_token']}"}
    assert len(client.get("/api/v1/customers/", headers=bearer).json()["results"]) == 1
    assert client.get("/api/v1/orders/", headers=bearer).status_code == 403
    body = {"branch": str(mill.id), "given_name": "A", "family_name": "B"}
    refused = client.post("/api/v1/customers/", body, content_type="application/json", headers=bearer)
    assert refused.status_code == 403
    me = client.get("/api/v1/me/", headers=bearer).json()
    assert me["kind"] == "service"
    assert me["permissions"] == {"customers.view": [str(mill.id)]}


def test_a_wrong_secret_and_a_made_up_token_open_nothing(mill):
    credentials = services.service_client_register(actor=SYSTEM, name="till", role="counter", branch=mill)
    wrong = services.ClientCredentials(credentials.client_id, "wrong")
    assert token_for(Client(), wrong, "customers:read").status_code == 401
    answer = Client().get("/api/v1/customers/", headers={"Authorization": "Bearer made-up"})
    assert answer.status_code == 401
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["WWW-Authenticate"].startswith("Bearer")


def test_a_staff_app_signs_in_with_a_code_and_pkce(clerk, mill):
    clerk.set_password("a long enough phrase")
    clerk.save()
    client_id = services.staff_client_register(
        actor=SYSTEM, name="counter app", redirect_uris=["http://127.0.0.1:9999/back"]
    )
    browser = Client()
    assert browser.login(username="clerk", password="a long enough phrase")
    verifier = secrets.token_urlsafe(48)
    challenge = base64.urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).decode().rstrip("=")
    asked = {
        "response_type": "code",
        "client_id": client_id,
        "redirect_uri": "http://127.0.0.1:9999/back",
        "scope": "customers:read customers:write",
        "code_challenge": challenge,
        "code_challenge_method": "S256",
    }
    without = browser.get("/oauth/authorize/", {k: v for k, v in asked.items() if "challenge" not in k})
    assert "error" in without.get("Location", "")
    sent_back = browser.get("/oauth/authorize/", asked)
    assert sent_back.status_code == 302, sent_back.content
    code = parse_qs(urlsplit(sent_back["Location"]).query)["code"][0]
    exchange = {
        "grant_type": "authorization_code",
        "code": code,
        "client_id": client_id,
        "redirect_uri": "http://127.0.0.1:9999/back",
        "code_verifier": verifier,
    }
    assert Client().post("/oauth/token/", exchange | {"code_verifier": "x" * 50}).status_code == 400
    sent_back = browser.get("/oauth/authorize/", asked)
    exchange["code"] = parse_qs(urlsplit(sent_back["Location"]).query)["code"][0]
    answer = Client().post("/oauth/token/", exchange)
    assert answer.status_code == 200, answer.content
    bearer = {"Authorization": f"Bearer {answer.json()['access_token']}"}
    assert Client().get("/api/v1/me/", headers=bearer).json()["username"] == "clerk"


def test_roles_span_branches_only_where_they_may(head_office, bookkeeper, clerk, mill, quay):
    assert actor_for(head_office).may("customers.view", quay.id)
    assert not actor_for(clerk).may("customers.view", quay.id)
    assert actor_for(bookkeeper).may("billing.view", mill.id)
    assert not actor_for(bookkeeper).may("prescriptions.view", mill.id)


def test_an_inactive_person_is_turned_away(api, clerk):
    clerk.is_active = False
    clerk.save()
    browser = Client()
    browser.force_login(clerk)
    assert browser.get("/api/v1/me/").status_code == 401


@pytest.mark.parametrize(
    "path", ["applications/", "applications/register/", "device/", "authorized_tokens/", "register/"]
)
def test_nobody_registers_clients_over_http(clerk, path):
    browser = Client()
    browser.force_login(clerk)
    assert browser.get(f"/oauth/{path}").status_code == 404
