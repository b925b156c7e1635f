"""Helpers: an app that signs a person in (RFC 6749, 4.1 with RFC 7636), a client of its own, and a copy of the data."""

from __future__ import annotations

import base64
import hashlib
import secrets
from typing import Any
from urllib.parse import parse_qs, urlsplit

from django.db import connection
from django.test import Client

from opticshop.accounts import services
from opticshop.accounts.models import User
from opticshop.core.actor import system

SYSTEM = system("test")
PASSWORD = "seven herons by the weir"
BACK = "http://127.0.0.1:9999/back"


def browser_of(user: User) -> Client:
    if not user.check_password(PASSWORD):
        user.set_password(PASSWORD)
        user.save()
    browser = Client()
    assert browser.login(username=user.username, password=PASSWORD)
    return browser


class App:
    """A staff app; ``secrets`` is whatever it held."""

    def __init__(self, name: str = "counter app") -> None:
        self.client_id = services.staff_client_register(actor=SYSTEM, name=name, redirect_uris=[BACK])
        self.secrets: list[str] = []

    def sign_in(self, browser: Client, scope: str = "customers:read orders:read") -> dict[str, Any]:
        verifier = secrets.token_urlsafe(48)
        challenge = base64.urlsafe_b64encode(hashlib.sha256(verifier.encode()).digest()).decode().rstrip("=")
        asked = {"response_type": "code", "client_id": self.client_id, "redirect_uri": BACK, "scope": scope}
        sent = browser.get("/oauth/authorize/", asked | {"code_challenge": challenge, "code_challenge_method": "S256"})
        assert sent.status_code == 302, sent.content
        code = parse_qs(urlsplit(sent["Location"]).query)["code"][0]
        self.secrets += [verifier, code]
        self.last_exchange = {"grant_type": "authorization_code", "code": code, "redirect_uri": BACK}
        self.last_exchange["code_verifier"] = verifier
        return self._kept(self.token(**self.last_exchange))

    def token(self, **fields: str) -> Any:
        return Client().post("/oauth/token/", fields | {"client_id": self.client_id})

    def refresh(self, tokens: dict[str, Any]) -> Any:
        return self.token(grant_type="refresh_token", refresh_token=tokens["refresh_token"])

    def _kept(self, answer: Any) -> dict[str, Any]:
        assert answer.status_code == 200, answer.content
        tokens = answer.json()
        self.secrets += [tokens["access_token"], tokens["refresh_token"]]
        return tokens


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def me(token: str) -> Any:
    return Client().get("/api/v1/me/", headers=bearer(token))


def service_token(client_id: str, secret: str, scope: str = "customers:read") -> Any:
    basic = base64.b64encode(f"{client_id}:{secret}".encode()).decode()
    fields = {"grant_type": "client_credentials", "scope": scope}
    return Client().post("/oauth/token/", fields, headers={"Authorization": f"Basic {basic}"})


def everything_kept() -> str:
    """Every column of every table, as text."""
    found = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')
            found += [repr(row) for row in cursor.fetchall()]
    return "\n".join(found)
