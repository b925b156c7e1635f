"""What lies in the database opens nothing; refresh tokens rotate, and one used twice ends its family.

RFC 6749 (OAuth 2.0), 7009 (revocation), 7636 (PKCE), 7662 (introspection); RFC 9700, 4.14.2 (rotation).
"""

from __future__ import annotations

import base64
import datetime as dt

import pytest
from django.test import Client
from oauth2_provider.models import AccessToken, Application, Grant, RefreshToken

from opticshop.accounts import services
from opticshop.accounts.models import SignIn
from opticshop.core import clock
from opticshop.core.sealing import digest
from tests.conftest import NOON
from tests.factories import UserFactory
from tests.signing_in import signed_in

from .signing import PASSWORD, SYSTEM, App, bearer, browser_of, everything_kept, me, service_token

pytestmark = pytest.mark.django_db


def test_no_secret_that_a_client_holds_lies_in_the_database(clerk, mill):
    browser, app = browser_of(clerk), App()
    tokens = app.sign_in(browser)
    while_code_waits = browser.get(
        "/oauth/authorize/",
        {"response_type": "code", "client_id": app.client_id, "redirect_uri": "http://127.0.0.1:9999/back"}
        | {"scope": "orders:read", "code_challenge": "E9Melhoa2OwvFrEMTJguCHaoeK1t8URWbuGJSstw-cM"}
        | {"code_challenge_method": "S256"},
    )
    waiting = while_code_waits["Location"].split("code=")[1].split("&")[0]
    newer = app.refresh(tokens).json()
    till = services.service_client_register(actor=SYSTEM, name="till", role="counter", branch=mill)
    of_till = service_token(till.client_id, till.client_secret).json()["access_token"]
    basic = base64.b64encode(f"{till.client_id}:{till.client_secret}".encode()).decode()
    asked = Client().post(
        "/oauth/introspect/", {"token": newer["access_token"]}, headers={"Authorization": f"Basic {basic}"}
    )
    assert asked.json()["active"] is True
    assert asked.json()["username"] == "clerk"
    assert me(newer["access_token"]).status_code == 200
    cookie = browser.cookies["session"].value
    held = [*app.secrets, waiting, newer["access_token"], newer["refresh_token"], till.client_secret, of_till, cookie]
    kept = everything_kept()
    assert Grant.objects.count() == 1
    assert not [secret for secret in held if secret in kept]
    revoked = Client().post("/oauth/revoke_token/", {"token": newer["refresh_token"], "client_id": app.client_id})
    assert revoked.status_code == 200
    assert me(newer["access_token"]).status_code == 401
    assert not [secret for secret in held if secret in everything_kept()]


def test_a_code_is_good_once(clerk):
    app = App()
    app.sign_in(browser_of(clerk))
    again = app.token(**app.last_exchange)
    assert again.status_code == 400
    assert again.json()["error"] == "invalid_grant"


def test_a_refresh_token_used_twice_ends_its_family(clerk):
    app = App()
    stolen = app.sign_in(browser_of(clerk))
    newer = app.refresh(stolen).json()
    assert me(stolen["access_token"]).status_code == 401, "rotation ends what was before"
    assert me(newer["access_token"]).status_code == 200
    assert app.refresh(stolen).json()["error"] == "invalid_grant"
    assert me(newer["access_token"]).status_code == 401
    assert app.refresh(newer).json()["error"] == "invalid_grant"


def test_of_two_at_a_time_one_is_refused(clerk, monkeypatch):
    """The second passes the check of the token before the first has used it up: here it is used up in between."""
    from opticshop.accounts.oauth import Validator

    app = App()
    tokens = app.sign_in(browser_of(clerk))
    plain = Validator.get_original_scopes

    def raced(self, refresh_token, request, *args, **kwargs):
        found = plain(self, refresh_token, request, *args, **kwargs)
        RefreshToken.objects.get(pk=request.refresh_token_instance.pk).revoke()
        return found

    monkeypatch.setattr(Validator, "get_original_scopes", raced)
    answer = app.refresh(tokens)
    assert answer.status_code == 400
    assert answer.json()["error"] == "invalid_grant"


def test_an_app_signs_in_anew_after_a_day_of_work(clerk, settings):
    app = App()
    tokens = app.sign_in(browser_of(clerk))
    with clock.at(NOON + dt.timedelta(seconds=settings.OPTICSHOP_SESSION_SECONDS - 1)):
        tokens = app.refresh(tokens).json()
    with clock.at(NOON + dt.timedelta(seconds=settings.OPTICSHOP_SESSION_SECONDS)):
        assert app.refresh(tokens).json()["error"] == "invalid_grant"


def test_who_is_deactivated_gets_nothing_more(clerk):
    app = App()
    tokens = app.sign_in(browser_of(clerk))
    clerk.is_active = False
    clerk.save()
    assert me(tokens["access_token"]).status_code == 401
    assert app.refresh(tokens).json()["error"] == "invalid_grant"


def test_all_that_opens_anything_ends_together(clerk):
    browser, app = browser_of(clerk), App()
    tokens = app.sign_in(browser)
    services.credentials_end(clerk)
    assert me(tokens["access_token"]).status_code == 401
    assert app.refresh(tokens).json()["error"] == "invalid_grant"
    assert browser.get("/api/v1/me/").status_code == 401
    assert not SignIn.objects.filter(user=clerk).exists()


def test_a_token_in_the_address_opens_nothing(clerk):
    """RFC 9700, 4.3.2: not in the query."""
    token = App().sign_in(browser_of(clerk))["access_token"]
    assert Client().get(f"/api/v1/me/?access_token={token}").status_code == 401
    assert Client().get("/api/v1/me/", headers=bearer(token)).status_code == 200


def test_what_has_ended_is_forgotten_and_nothing_else(clerk, settings):
    browser, app = browser_of(clerk), App()
    gone, stays = app.sign_in(browser), app.sign_in(browser)
    Client().post("/oauth/revoke_token/", {"token": gone["refresh_token"], "client_id": app.client_id})
    assert services.forget_ended() == 1
    assert services.forget_ended() == 0
    assert me(stays["access_token"]).status_code == 200
    with clock.at(NOON + dt.timedelta(seconds=settings.OPTICSHOP_SESSION_SECONDS)):
        assert services.forget_ended() == 2
    assert not AccessToken.objects.exists()


def test_the_back_office_shows_no_secret_and_makes_no_token(clerk):
    tokens = App().sign_in(browser_of(clerk))
    services.pin_set(actor=SYSTEM, user=clerk, pin="480917", proof=services.Proof(SYSTEM, clerk, PASSWORD))
    browser = signed_in(UserFactory(username="root", is_staff=True, is_superuser=True))
    for path in ("accesstoken", "refreshtoken", "application", "grant"):
        assert browser.get(f"/admin/oauth2_provider/{path}/").status_code == 200
        assert browser.get(f"/admin/oauth2_provider/{path}/add/").status_code == 403
    kept = (
        (f"accounts/operatorpin/{clerk.operator_pin.id}", clerk.operator_pin.secret),
        (f"oauth2_provider/application/{Application.objects.get().id}", Application.objects.get().client_secret),
        (f"oauth2_provider/accesstoken/{AccessToken.objects.get().id}", digest(tokens["access_token"])),
    )
    for path, secret in kept:
        page = browser.get(f"/admin/{path}/change/")
        assert page.status_code == 200
        assert secret not in page.content.decode()
