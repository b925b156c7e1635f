"""A shared till: operators take over by PIN; sensitive acts ask for the password once more (RFC 9470)."""

from __future__ import annotations

import base64
import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse
from django_otp.oath import TOTP

from opticshop.accounts import services
from opticshop.accounts.access import actor_for
from opticshop.accounts.events import OPERATOR_CHANGED, OPERATOR_CONFIRMED
from opticshop.accounts.models import Membership, ServiceAccount, SignIn
from opticshop.accounts.pins import pin_fault
from opticshop.accounts.services import second_factor
from opticshop.audit.models import AuditEntry
from opticshop.billing.services import invoice_issue
from opticshop.config.access import ROLE_TABLE, SECOND_FACTOR, SENSITIVE, TABLE
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON, member
from tests.factories import OrderFactory

from .signing import PASSWORD, SYSTEM, App, bearer, browser_of, everything_kept, me, service_token

pytestmark = pytest.mark.django_db
PIN, CHANGE, MY_PIN, CONFIRM = "480917", "/api/v1/operators/change/", "/api/v1/me/pin/", "/api/v1/me/confirm/"
JSON = "application/json"


def post(token, path, body):
    return Client().post(path, body, content_type=JSON, headers=bearer(token))


@pytest.fixture
def till(mill):
    """The token of the till's own client."""
    made = services.service_client_register(actor=SYSTEM, name="till", role="counter", branch=mill)
    scopes = "customers:read customers:write orders:write billing:write stock:write prescriptions:write"
    return service_token(made.client_id, made.client_secret, scopes).json()["access_token"]


def with_pin(user, pin=PIN):
    answer = browser_of(user).post(MY_PIN, {"password": PASSWORD, "pin": pin}, content_type=JSON)
    assert answer.status_code == 200, answer.content
    return user


def take_over(till, username="clerk", pin=PIN):
    return post(till, CHANGE, {"username": username, "pin": pin})


def test_a_pin_that_many_would_take_is_refused(clerk):
    """NIST SP 800-63B-4, 3.2.10 and 3.1.1.2 (from memory): six digits or more, a list of common ones refused."""
    no_pins = ["12345", "1234567890123", "48091a", "٤٨٠٩١٧", "111111", "121212", "123456", "876543", "890123", "480480"]
    no_pins += ["123321", "147258", "112211"]
    assert [pin for pin in no_pins if pin_fault(pin) is None] == []
    answer = browser_of(clerk).post(MY_PIN, {"password": PASSWORD, "pin": "121212"}, content_type=JSON)
    assert (answer.status_code, answer.json()["code"]) == (422, "accounts.pin_too_common")
    assert "121212" not in answer.content.decode()


def test_most_pins_are_possible():
    """Little of the six digits is taken away."""
    tried = range(0, 1_000_000, 101)
    assert sum(pin_fault(f"{number:06}") is None for number in tried) > 0.98 * len(tried)
    assert pin_fault("480917", ("D-480917",)) is not None


def test_a_pin_is_set_with_the_password_and_kept_hashed(clerk, till):
    browser = browser_of(clerk)
    wrong = browser.post(MY_PIN, {"password": "something else", "pin": PIN}, content_type=JSON)
    assert wrong.json()["code"] == "accounts.password_wrong"
    assert browser.get(MY_PIN).json() == {"is_set": False}
    with_pin(clerk)
    assert clerk.operator_pin.secret != PIN
    assert PIN not in everything_kept()
    token = take_over(till).json()["access_token"]
    assert browser.post(f"{MY_PIN}remove/", {}, content_type=JSON).json() == {"is_set": False}
    assert me(token).status_code == 401
    assert take_over(till).json()["code"] == "accounts.operator_unknown"


def test_an_operator_takes_over_within_the_scopes_of_the_till(clerk, till, mill):
    with_pin(clerk)
    answer = take_over(till)
    assert answer.status_code == 200, answer.content
    assert answer["Cache-Control"] == "no-store"  # RFC 6749, 5.1
    assert answer.json()["branch"] == str(mill.id)
    token = answer.json()["access_token"]
    told = me(token).json()
    assert told["username"] == "clerk"
    held = set(actor_for(clerk).grants)
    assert 0 < len(told["permissions"]) < len(held)
    assert set(told["permissions"]) <= held - {str(name) for name in SENSITIVE}
    assert "orders.view" not in told["permissions"], "the till has no such scope"
    made = post(token, "/api/v1/customers/", {"branch": str(mill.id), "given_name": "A", "family_name": "B"})
    assert made.status_code == 201
    [entry] = AuditEntry.objects.filter(table_name="customers_customer", action="create")
    client_id = SignIn.objects.get(way="till").application.client_id
    assert (entry.actor_id, entry.via) == (clerk.id, f"client {client_id}")
    assert AuditEntry.objects.filter(action="sign-in", row_id=str(clerk.id), after={"by": "pin"}).exists()
    assert OutboxEvent.objects.get(type=OPERATOR_CHANGED).data["user"] == str(clerk.id)
    kept = everything_kept()
    assert token not in kept
    assert till not in kept


def test_the_one_before_ends_and_who_idles_too(clerk, till, mill, settings):
    with_pin(clerk)
    with_pin(member("second", "counter", mill), "591028")
    first = take_over(till).json()["access_token"]
    second = take_over(till, "second", "591028").json()["access_token"]
    assert me(first).status_code == 401
    idle = dt.timedelta(seconds=settings.OPTICSHOP_OPERATOR_IDLE_SECONDS)
    for step in (1, 2):
        with clock.at(NOON + step * (idle - dt.timedelta(seconds=1))):
            assert me(second).status_code == 200
    with clock.at(NOON + 3 * idle):
        assert me(second).status_code == 401
    assert me(till).status_code == 200


def test_only_people_of_the_branch_and_only_at_a_till(clerk, till, quay, mill, api):
    with_pin(member("elsewhere", "counter", quay))
    assert take_over(till, "elsewhere").json()["code"] == "accounts.not_at_this_branch"
    with_pin(clerk)
    token = take_over(till).json()["access_token"]
    both = services.service_account_create(
        actor=SYSTEM, name="two", role="counter", branches=[mill, quay], scopes=None, expires_on=dt.date(2026, 12, 31)
    )
    of_two = service_token(both.account.application.client_id, both.client_secret).json()["access_token"]
    by_app = App().sign_in(browser_of(clerk))["access_token"]
    for other in (token, of_two, by_app):
        assert take_over(other).json()["code"] == "accounts.not_a_till"


def test_wrong_pins_are_counted_until_only_the_full_sign_in_is_left(clerk, till):
    with_pin(clerk)
    moment = NOON
    for _ in range(5):
        with clock.at(moment):
            answer = take_over(till, pin="000000")
        assert answer.status_code == 422
        moment += dt.timedelta(hours=1)
    with clock.at(moment):
        stopped = take_over(till)
        assert stopped.status_code == 429
        assert int(stopped["Retry-After"]) > 0
        with_pin(clerk)
        assert take_over(till).status_code == 200


def test_a_name_that_nobody_has_is_answered_alike(clerk, till):
    with_pin(clerk)
    known, unknown = take_over(till, pin="000000").json(), take_over(till, "nobody", "000000").json()
    same = {"type", "title", "status", "detail", "code", "errors"}
    assert {k: known[k] for k in same} == {k: unknown[k] for k in same}


def sensitive_call(token):
    """A merge of two customers who are not there: 404 once it is allowed."""
    path = "/api/v1/customers/00000000-0000-7000-8000-000000000000/merge/"
    return post(token, path, {"duplicate": "00000000-0000-7000-8000-000000000001", "reason": "Registered twice"})


def test_sensitive_acts_ask_for_the_password_once_more(clerk, mill, till, monkeypatch):
    """RFC 9470, 3 and 4: 401, insufficient_user_authentication, max_age."""
    monkeypatch.setitem(ROLE_TABLE, "counter", ROLE_TABLE["counter"] | {"customers.merge"})
    with_pin(clerk)
    token = take_over(till).json()["access_token"]
    asked = sensitive_call(token)
    assert asked.status_code == 401
    assert asked.json()["code"] == "core.confirm_first"
    assert asked.json()["confirm_at"] == CONFIRM
    challenge = asked["WWW-Authenticate"]
    assert challenge.startswith("Bearer ")
    assert 'error="insufficient_user_authentication"' in challenge
    assert 'max_age="300"' in challenge
    assert post(token, CONFIRM, {"password": "something else"}).json()["code"] == "accounts.password_wrong"
    assert sensitive_call(token).status_code == 401
    confirmed = post(token, CONFIRM, {"password": PASSWORD})
    assert confirmed.json() == {"confirmed_until": "2026-03-02T12:05:00Z"}
    assert sensitive_call(token).status_code == 404, "allowed now; there is no such customer"
    with clock.at(NOON + dt.timedelta(seconds=299)):
        assert sensitive_call(token).status_code == 404
    assert OutboxEvent.objects.filter(type=OPERATOR_CONFIRMED).count() == 1
    with clock.at(NOON + dt.timedelta(seconds=300)):
        me(token)
        assert sensitive_call(token).status_code == 401
    assert sensitive_call(till).status_code == 404, "not by PIN: the till's own client holds its role"


def test_a_role_that_needs_the_second_factor_never_comes_by_pin_alone(mill, till):
    both = member("both", "counter", mill)
    assert "manager" in SECOND_FACTOR
    Membership.objects.create(user=both, role="manager", branch=mill)
    both.set_password(PASSWORD)
    both.save()
    services.pin_set(actor=SYSTEM, user=both, pin=PIN, proof=services.Proof(SYSTEM, both, PASSWORD))
    token = take_over(till, "both").json()["access_token"]
    held = me(token).json()["permissions"]
    assert "customers.edit" in held
    assert "billing.refund" not in held
    assert sensitive_call(token).status_code == 401
    assert post(token, CONFIRM, {"password": PASSWORD}).status_code == 200
    assert sensitive_call(token).status_code == 403, "the password alone does not bring the manager's role"


def test_with_a_second_factor_its_code_confirms_too(mill, till):
    both = member("both", "manager", mill)
    both.set_password(PASSWORD)
    both.save()
    codes = recovery_codes(both)
    proof = services.Proof(SYSTEM, both, PASSWORD, codes[0])
    services.pin_set(actor=SYSTEM, user=both, pin=PIN, proof=proof)
    token = take_over(till, "both").json()["access_token"]
    assert me(token).json()["permissions"] == {}
    assert sensitive_call(token).status_code == 401
    for lacking in ({}, {"code": "000000"}, {"code": codes[0]}):
        assert post(token, CONFIRM, {"password": PASSWORD, **lacking}).json()["code"] == "accounts.password_wrong"
    assert post(token, CONFIRM, {"password": PASSWORD, "code": codes[1]}).status_code == 200
    assert sensitive_call(token).status_code == 404, "allowed; there is no such customer"


def recovery_codes(user):
    enrolled = second_factor.enrolment_begin(user=user)
    totp = TOTP(base64.b32decode(second_factor.key_text(enrolled).replace(" ", "")), 30)
    totp.time = NOON.timestamp()
    return second_factor.enrolment_confirm(actor=SYSTEM, user=user, code=f"{totp.token():06}")[1]


def test_an_operator_by_pin_changes_no_credentials(clerk, till):
    with_pin(clerk)
    token = take_over(till).json()["access_token"]
    for path, body in (
        (MY_PIN, {"password": PASSWORD, "pin": "591028"}),
        (f"{MY_PIN}remove/", {}),
        ("/api/v1/me/sign-ins/end-others/", {}),
    ):
        assert post(token, path, body).json()["code"] == "core.confirm_first", path
    assert post(token, CONFIRM, {"password": PASSWORD}).status_code == 200
    assert post(token, MY_PIN, {"password": PASSWORD, "pin": "591028"}).json()["code"] == "accounts.sign_in_fully_first"


def test_who_signed_in_in_full_has_nothing_to_confirm(clerk):
    answer = browser_of(clerk).post(CONFIRM, {"password": PASSWORD}, content_type=JSON)
    assert (answer.status_code, answer.json()["code"]) == (409, "accounts.nothing_to_confirm")


def test_when_the_till_ends_so_does_its_operator(clerk, till):
    with_pin(clerk)
    token = take_over(till).json()["access_token"]
    services.service_account_revoke(actor=SYSTEM, account=ServiceAccount.objects.get())
    assert me(token).status_code == 401
    assert not SignIn.objects.filter(way="till").exists()


def test_what_is_sensitive_stands_in_the_table():
    assert set(TABLE) >= SENSITIVE
    assert {"billing.refund", "billing.write_off", "customers.merge", "billing.reopen_till", "accounts.manage"} <= {
        str(name) for name in SENSITIVE
    }
    assert reverse("me/confirm-list") == CONFIRM


def test_an_invoice_for_another_program_asks_for_the_password_once_more(clerk, mill):
    """It holds the buyer's name and address; to look at it here does not ask."""
    mill.address, mill.tax_number = "1 Weir Lane\nMillbrook\nML1 1AA", "GB 123 4567 89"
    mill.save()
    invoice = invoice_issue(actor=SYSTEM, order=OrderFactory(customer__branch=mill, customer__address="3 Weir Lane"))
    with_pin(clerk)
    made = services.service_client_register(actor=SYSTEM, name="till", role="counter", branch=mill)
    till = service_token(made.client_id, made.client_secret, "billing:read billing:write").json()["access_token"]
    token = take_over(till).json()["access_token"]
    url = f"/api/v1/invoices/{invoice.id}/"
    assert Client().get(url, headers=bearer(token)).status_code == 200
    asked = Client().get(f"{url}export/", headers=bearer(token))
    assert (asked.status_code, asked.json()["code"]) == (401, "core.confirm_first")
    assert post(token, CONFIRM, {"password": PASSWORD}).status_code == 200
    assert Client().get(f"{url}export/", headers=bearer(token)).status_code == 200
