"""The second factor: RFC 6238 (TOTP), RFC 4226 (HOTP), NIST SP 800-63B (look-up secrets), OWASP Session Management."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.core.management import call_command
from django.test import Client
from oauth2_provider.models import AccessToken, Application

from opticshop.accounts import services
from opticshop.accounts.access import actor_for
from opticshop.accounts.models import RecoveryCode, SecondFactor, SignIn, User
from opticshop.audit.models import AuditEntry
from opticshop.core import clock, sealing
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from tests.signing_in import shown_codes, shown_key, signed_in, totp

pytestmark = pytest.mark.django_db
SYSTEM = system("test")
PASSWORD = "seven herons by the weir"
NOON = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)


def later(seconds: float):
    return clock.at(NOON + dt.timedelta(seconds=seconds))


def code_of(key: bytes, seconds: float = 0) -> str:
    return totp(key, NOON.timestamp() + seconds)


def first_step(user: User, target: str = "") -> tuple[Client, str]:
    user.set_password(PASSWORD)
    user.save()
    browser = Client()
    answer = browser.post("/sign-in/", {"username": user.username, "password": PASSWORD, "next": target})
    assert answer.status_code == 302, answer.content
    return browser, answer["Location"]


def enrolled(user: User) -> tuple[Client, bytes, list[str]]:
    browser, place = first_step(user)
    key = shown_key(browser.get(place).content)
    page = browser.post(place, {"code": code_of(key)})
    return browser, key, shown_codes(page.content)


# RFC 6238, appendix B, SHA-1: eight digits there, of which ours are the last six.
VECTORS = [
    (59, "94287082"), (1111111109, "07081804"), (1111111111, "14050471"),
    (1234567890, "89005924"), (2000000000, "69279037"), (20000000000, "65353130"),
]  # fmt: skip


@pytest.mark.parametrize(("moment", "code"), VECTORS)
def test_codes_are_those_of_the_standard(manager, moment, code):
    key = sealing.seal("second factor", b"12345678901234567890")
    SecondFactor.objects.create(user=manager, sealed_key=key, confirmed_at=NOON)
    with clock.at(dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=moment)):
        assert services.second_factor_check(actor=SYSTEM, user=manager, code=code[-6:])
    assert totp(b"12345678901234567890", moment, 8) == code  # and the phone of these tests is one of the standard


def test_a_manager_is_led_to_enrolment_and_can_do_nothing_else_before(manager):
    browser, place = first_step(manager, "/docs/")
    assert place == "/second-factor/new/?next=%2Fdocs%2F"
    page = browser.get(place)
    assert b"<svg" in page.content
    assert browser.get("/api/v1/customers/").status_code == 401
    assert browser.get("/oauth/authorize/")["Location"].startswith("/sign-in/")
    assert browser.get("/second-factor/")["Location"].startswith("/sign-in/")
    key = shown_key(page.content)
    assert browser.post(place, {"code": "000000"}).status_code == 422
    done = browser.post(place, {"code": code_of(key)})
    codes = shown_codes(done.content)
    assert len(set(codes)) == 10
    assert b'href="/docs/"' in done.content
    assert browser.get("/api/v1/customers/").status_code == 200
    assert browser.get(place)["Location"] == "/second-factor/"
    assert OutboxEvent.objects.filter(type="accounts.second_factor_confirmed").exists()


def test_the_key_is_shown_once_and_then_only_to_who_gives_the_password_again(manager, clerk):
    """A session that somebody took over reads no key: it would make their codes those of the person."""
    browser, place = first_step(manager)
    stolen = Client()
    stolen.cookies["session"] = browser.cookies["session"].value
    key = shown_key(browser.get(place).content)
    for each in (stolen.get(place), browser.get(place), browser.post(place, {"code": "000000"})):
        assert b"<svg" not in each.content
        assert b'class="paper"' not in each.content
    assert b'href="/sign-in/"' in browser.get(place).content
    assert shown_codes(browser.post(place, {"code": code_of(key)}).content), "the code of the app still counts"
    whole, _ = first_step(clerk)
    whole.post("/second-factor/", {"password": PASSWORD})
    thief = Client()
    thief.cookies["session"] = whole.cookies["session"].value
    first = shown_key(whole.get("/second-factor/new/").content)
    assert b"<svg" not in thief.get("/second-factor/new/").content
    assert b'href="/second-factor/"' in thief.get("/second-factor/new/").content
    assert thief.post("/second-factor/", {"password": "wrong"}).status_code == 422
    with later(1):
        whole.post("/second-factor/", {"password": PASSWORD})
        assert shown_key(whole.get("/second-factor/new/").content) != first


def test_one_begun_in_another_session_is_not_shown_here(clerk):
    one, _ = first_step(clerk)
    other = Client()
    other.post("/sign-in/", {"username": clerk.username, "password": PASSWORD})
    one.post("/second-factor/", {"password": PASSWORD})
    with later(1):
        other.post("/second-factor/", {"password": PASSWORD})
    assert b"<svg" not in one.get("/second-factor/new/").content
    assert b"<svg" in other.get("/second-factor/new/").content


def test_a_clerk_needs_none_and_may_have_one(clerk):
    browser, place = first_step(clerk)
    assert place == "/"
    assert browser.get("/api/v1/me/").status_code == 200
    assert browser.post("/second-factor/", {"password": "wrong"}).status_code == 422
    assert browser.post("/second-factor/", {"password": PASSWORD})["Location"] == "/second-factor/new/"
    key = shown_key(browser.get("/second-factor/new/").content)
    assert shown_codes(browser.post("/second-factor/new/", {"code": code_of(key)}).content)
    assert browser.get("/api/v1/me/").status_code == 200
    other, place = first_step(clerk)
    assert place.startswith("/sign-in/code/")
    assert other.get("/api/v1/me/").status_code == 401


def test_the_second_step_signs_in_and_renews_the_session_each_time(manager):
    _, key, _ = enrolled(manager)
    with later(60):
        browser = Client()
        browser.get("/sign-in/")
        browser, place = first_step(manager, "/docs/reference/")
        half = browser.cookies["session"].value
        assert browser.get("/api/v1/me/").status_code == 401
        assert browser.get("/admin/").status_code == 302
        assert browser.post(place, {"code": "000000"}).status_code == 422
        answer = browser.post(place, {"code": code_of(key, 60)})
        assert answer["Location"] == "/docs/reference/"
        assert browser.cookies["session"].value != half
        assert browser.get("/api/v1/me/").json()["username"] == "manager"
        stolen = Client()
        stolen.cookies["session"] = half
        assert stolen.get("/api/v1/me/").status_code == 401
        assert stolen.post(place, {"code": code_of(key, 90)})["Location"] == "/sign-in/"


def test_a_code_opens_once_and_only_around_its_time(manager):
    """RFC 6238, 5.2: never twice; at most one step of delay."""
    _, key, _ = enrolled(manager)

    def check(code: str) -> bool:
        try:
            return bool(services.second_factor_check(actor=SYSTEM, user=manager, code=code))
        except services.CodeWrong:
            return False

    assert not check(code_of(key))  # it confirmed the enrolment
    with later(600):
        assert not check(code_of(key, 540))
        assert not check(code_of(key, 660))
        assert check(code_of(key, 570))
        assert check(code_of(key, 600))
        assert not check(code_of(key, 570))
        assert not check("")
        assert not check("１２３４５６")  # digits, but not those
    with later(6000):  # RFC 6238, 6: the phone is known to be late by a step now, and may be late by another
        SecondFactor.objects.update(drift=-1)
        assert check(code_of(key, 5940))


def test_recovery_codes_open_once_each_and_are_made_anew(manager):
    _, key, codes = enrolled(manager)
    for code, wanted in ((codes[3].lower().replace("-", " "), 302), (codes[3], 422), (codes[4], 302)):
        other, place = first_step(manager)
        assert other.post(place, {"code": code}).status_code == wanted
    used = OutboxEvent.objects.filter(type="accounts.recovery_code_used").order_by("id")
    assert [each.data["left"] for each in used] == [9, 8]
    with later(90):
        fresh = shown_codes(other.post("/second-factor/", {"code": code_of(key, 90), "wanted": "codes"}).content)
        assert len(fresh) == 10
        assert not set(fresh) & set(codes)
        other, place = first_step(manager)
        assert other.post(place, {"code": codes[5]}).status_code == 422
        assert other.post(place, {"code": fresh[0]}).status_code == 302


def test_whoever_knows_the_password_only_cannot_take_over_an_enrolment_that_was_begun(manager):
    browser, key, _ = enrolled(manager)
    with later(60):
        assert browser.post("/second-factor/", {"code": code_of(key, 60), "wanted": "phone"}).status_code == 302
        thief, _ = first_step(manager)
        for method in (thief.get, thief.post):
            assert method("/second-factor/new/")["Location"].startswith("/sign-in/code/")


def test_an_enrolment_that_was_left_open_cannot_be_ended_by_somebody_else_later(clerk):
    browser, _ = first_step(clerk)
    browser.post("/second-factor/", {"password": PASSWORD})
    key = shown_key(browser.get("/second-factor/new/").content)
    with later(16 * 60):
        assert browser.post("/second-factor/new/", {"code": code_of(key, 960)})["Location"] == "/second-factor/"
    assert not SecondFactor.objects.exclude(confirmed_at=None).exists()


def test_a_half_sign_in_ends_by_itself_and_with_the_password(manager):
    _, key, _ = enrolled(manager)
    browser, place = first_step(manager)
    with later(15 * 60 + 1):
        assert browser.post(place, {"code": code_of(key, 901)})["Location"] == "/sign-in/"
    with later(60):
        browser, place = first_step(manager)
        manager.set_password("another one that nobody guesses")
        manager.save()
        assert browser.post(place, {"code": code_of(key, 60)})["Location"] == "/sign-in/"


@pytest.mark.parametrize("who", ["manager", "head_office"])
def test_a_session_without_the_second_step_is_nobody_everywhere(request, who):
    user = request.getfixturevalue(who)
    User.objects.filter(pk=user.pk).update(is_staff=True)
    browser = Client()
    browser.force_login(user)  # as a door would that forgets the second step
    assert browser.get("/api/v1/me/").status_code == 401
    assert browser.get(f"/fhir/r4/Patient/{user.pk}").status_code == 401
    assert browser.get("/admin/")["Location"].startswith("/admin/login/")
    assert browser.get("/admin/login/?next=/admin/")["Location"] == "/sign-in/?next=/admin/"
    assert browser.get("/oauth/authorize/?client_id=x")["Location"].startswith("/sign-in/")
    assert b"Signed in as" not in browser.get("/").content
    assert signed_in(user).get("/api/v1/me/").status_code == 200


def test_being_made_manager_ends_what_was_open_without_a_second_factor(clerk, mill, head_office):
    browser, _ = first_step(clerk)
    application = Application.objects.create(
        name="app", client_type="public", authorization_grant_type="authorization-code"
    )
    AccessToken.objects.create(
        user=clerk, application=application, token="t", expires=NOON + dt.timedelta(days=9), scope="customers:read"
    )
    services.membership_grant(actor=actor_for(head_office), user=clerk, role="bookkeeper", branch=mill)
    assert browser.get("/api/v1/me/").status_code == 200
    services.membership_grant(actor=actor_for(head_office), user=clerk, role="manager", branch=mill)
    assert browser.get("/api/v1/me/").status_code == 401
    assert not AccessToken.objects.filter(user=clerk).exists()
    assert not SignIn.objects.filter(user=clerk).exists()
    assert first_step(clerk)[1].startswith("/second-factor/new/")


def test_head_office_resets_it_for_others_only(api, manager, head_office, clerk):
    browser, _, _ = enrolled(manager)
    assert browser.get("/api/v1/me/").status_code == 200
    url = f"/api/v1/people/{manager.id}/second-factor/reset/"
    assert api(manager).post(url, {}).status_code == 403
    answer = api(head_office).post(url, {})
    assert answer.status_code == 200
    assert answer.json()["has_second_factor"] is False
    assert browser.get("/api/v1/me/").status_code == 401
    assert not RecoveryCode.objects.filter(user=manager).exists()
    assert first_step(manager)[1].startswith("/second-factor/new/")
    assert api(head_office).post(url, {}).json()["code"] == "accounts.no_enrolment"
    enrolled(head_office)
    own = api(head_office).post(f"/api/v1/people/{head_office.id}/second-factor/reset/", {})
    assert own.status_code == 403


def test_nothing_in_the_database_makes_a_code_and_an_old_secret_key_still_opens(manager, settings):
    _, key, codes = enrolled(manager)
    out = io.StringIO()
    call_command("dumpdata", stdout=out)
    dump = out.getvalue().lower()
    for secret in (key.hex(), *(code.lower().replace("-", "") for code in codes), *(code.lower() for code in codes)):
        assert secret not in dump
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "another key for tests only, and as long as one has to be"
    with later(60):
        services.second_factor_check(actor=SYSTEM, user=manager, code=code_of(key, 60))
    settings.SECRET_KEY_FALLBACKS = []
    with later(90):
        services.second_factor_check(actor=SYSTEM, user=manager, code=code_of(key, 90))
    settings.SECRET_KEY = "a third key, and nobody remembers those that were before it"
    with later(120):
        with pytest.raises(services.CodeWrong):
            services.second_factor_check(actor=SYSTEM, user=manager, code=code_of(key, 120))
        assert services.second_factor_check(actor=SYSTEM, user=manager, code=codes[0])


def test_the_trail_tells_a_sign_in_when_both_steps_are_done(manager):
    _, key, _ = enrolled(manager)
    with later(60):
        browser, place = first_step(manager)
        seen = AuditEntry.objects.filter(action="sign-in").count()
        browser.post(place, {"code": "000000"})
        assert AuditEntry.objects.filter(action="sign-in-failed", row_id=str(manager.pk)).count() == 1
        browser.post(place, {"code": code_of(key, 60)})
        assert AuditEntry.objects.filter(action="sign-in").count() == seen + 1


@pytest.mark.parametrize(
    "target", ["https://elsewhere.example/", "//elsewhere.example", r"/\elsewhere.example", "javascript:x"]
)
def test_signing_in_leads_nowhere_else(clerk, target):
    """OWASP, Unvalidated Redirects and Forwards Cheat Sheet."""
    assert first_step(clerk, target)[1] == "/"
