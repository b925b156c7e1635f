"""A shared screen of a workshop: set up with a service account of the branch, taken over by PIN."""

from __future__ import annotations

import datetime as dt

import pytest
from django.contrib.auth.hashers import make_password
from django.test import Client

from opticshop.accounts import services
from opticshop.accounts.models import OperatorPin, ServiceAccount, SignIn
from opticshop.audit.models import AuditRead
from opticshop.core import clock
from tests.accounts.signing import SYSTEM, everything_kept
from tests.conftest import NOON, member
from tests.signing_in import signed_in
from tests.workshop.conftest import GOOD, Bench, bench, order, world

from .test_pages_bench import job_page, read

__all__ = ["bench", "order", "world"]
pytestmark = pytest.mark.django_db
PIN = "480917"
SCOPES = ["workshop:read", "workshop:write"]


@pytest.fixture
def account(mill):
    return services.service_account_create(
        actor=SYSTEM, name="screen", role="workshop", branches=[mill], scopes=SCOPES, expires_on=NOON.date()
    )


def with_pin(user):
    OperatorPin.objects.create(user=user, secret=make_password(PIN))


def set_up(account, user, **changed) -> tuple[Client, int]:
    browser = signed_in(user)
    typed = {"client_id": account.account.application.client_id, "client_secret": account.client_secret, **changed}
    return browser, browser.post("/bench/MILL/screen/", typed).status_code


@pytest.fixture
def screen(account, hand) -> Client:
    browser, status = set_up(account, hand)
    assert status == 302
    return browser


def take_over(screen, user, pin=PIN, **more):
    return screen.post("/bench/MILL/operator/", {"username": user.username, "pin": pin, **more})


def test_setting_a_screen_up_signs_the_person_out_and_leaves_the_board(screen, hand):
    assert not SignIn.objects.filter(user=hand).exists()
    assert screen.get("/office/").status_code == 302
    page = read(screen, "/bench/MILL/")
    assert "Take over" in page
    assert str(hand) not in page
    assert screen.get("/bench/")["Location"] == "/bench/MILL/"
    assert screen.get("/bench/QUAY/").status_code == 404


@pytest.mark.parametrize("changed", [{"client_secret": "wrong"}, {"client_id": "nobody"}, {"client_id": "\x00"}])
def test_a_wrong_secret_makes_no_screen(account, hand, changed):
    browser, status = set_up(account, hand, **changed)
    assert status == 422
    assert "screen" not in browser.cookies
    assert read(browser, "/bench/MILL/")


def test_an_account_of_another_branch_makes_no_screen_here(account, quay, mill):
    boss = member("boss", "manager", mill)
    boss.memberships.create(branch=quay, role="manager")
    browser = signed_in(boss)
    typed = {"client_id": account.account.application.client_id, "client_secret": account.client_secret}
    assert browser.post("/bench/QUAY/screen/", typed).status_code == 422


def test_a_job_asks_for_a_pin_and_then_the_operator_works_there(screen, hand, bench: Bench):
    page = job_page(bench.job)
    asked = screen.get(page)
    assert asked["Location"] == f"/bench/MILL/operator/?next={page.replace('/', '%2F')}"
    assert screen.post(f"{page}reading/", {"eye": "right", **GOOD["right"]}).status_code == 302
    assert not bench.job.readings.exists()
    with_pin(hand)
    answer = take_over(screen, hand, next=page)
    assert answer["Location"] == page
    assert str(hand) in read(screen, page)
    read_there = AuditRead.objects.latest("id")
    assert (read_there.actor_label, read_there.via[:7]) == (str(hand), "client ")
    screen.post(f"{page}reading/", {"eye": "right", **GOOD["right"]})
    assert bench.job.readings.get().read_by == hand


def test_a_wrong_pin_is_told_at_its_field_and_counted(screen, hand):
    with_pin(hand)
    for _ in range(3):
        answer = take_over(screen, hand, pin="111222")
        assert answer.status_code == 422
    assert 'aria-describedby="pin-error"' in answer.content.decode()
    assert "111222" not in answer.content.decode()
    assert take_over(screen, hand, pin="111222").status_code == 429
    assert "operator" not in screen.cookies


def test_who_takes_over_puts_the_one_before_out_and_who_leaves_is_out(mill, screen, hand, bench: Bench):
    other = member("second", "workshop", mill)
    for user in (hand, other):
        with_pin(user)
    take_over(screen, hand)
    before = screen.cookies["operator"].value
    take_over(screen, other)
    assert str(other) in read(screen, job_page(bench.job))
    stolen = Client()
    stolen.cookies["operator"] = before
    stolen.cookies["screen"] = screen.cookies["screen"].value
    assert "/operator/" in stolen.get(job_page(bench.job))["Location"]
    screen.post("/bench/MILL/operator/leave/")
    assert not SignIn.objects.filter(way="till").exists()
    assert "/operator/" in screen.get(job_page(bench.job))["Location"]


def test_an_operators_token_without_its_screen_opens_nothing(screen, hand, bench: Bench):
    with_pin(hand)
    take_over(screen, hand)
    elsewhere = Client()
    elsewhere.cookies["operator"] = screen.cookies["operator"].value
    assert elsewhere.get(job_page(bench.job))["Location"].startswith("/sign-in/")


def test_an_idle_operator_is_out_although_the_screen_looks_by_itself(screen, hand, bench: Bench):
    """Five minutes idle (docs/credentials.md); the screen looks every 20 s."""
    with_pin(hand)
    take_over(screen, hand)
    for minutes in range(1, 7):
        with clock.at(NOON + dt.timedelta(minutes=minutes)):
            looked = screen.get("/bench/MILL/columns", headers={"X-Looked-By-Itself": "1"})
            assert looked.status_code == 200
    with clock.at(NOON + dt.timedelta(minutes=6)):
        assert "/operator/" in screen.get(job_page(bench.job))["Location"]


def test_a_screen_ends_with_its_account_or_its_secret(screen, account):
    ServiceAccount.objects.update(rotated_at=NOON + dt.timedelta(seconds=1))
    assert screen.get("/bench/MILL/")["Location"].startswith("/sign-in/")
    ServiceAccount.objects.update(rotated_at=account.account.rotated_at)
    assert screen.get("/bench/MILL/").status_code == 200
    ServiceAccount.objects.update(revoked_at=NOON)
    assert screen.get("/bench/MILL/")["Location"].startswith("/sign-in/")


def test_the_cookies_open_nothing_by_what_the_database_holds_and_no_script_reads_them(screen, hand):
    with_pin(hand)
    take_over(screen, hand)
    kept = everything_kept()
    for name in ("screen", "operator"):
        cookie = screen.cookies[name]
        assert cookie.value not in kept
        assert (cookie["httponly"], cookie["samesite"], cookie["path"]) == (True, "Strict", "/bench/")
    forged = Client()
    forged.cookies["screen"] = screen.cookies["screen"].value[:-2] + "xx"
    assert forged.get("/bench/MILL/")["Location"].startswith("/sign-in/")


def test_a_pin_is_taken_from_our_own_form_only_and_leads_to_our_own_pages_only(screen, hand):
    with_pin(hand)
    for place in ("https://example.org/", "//example.org/", "/office/", "javascript:x"):
        assert take_over(screen, hand, next=place)["Location"] == "/bench/MILL/"
    strict = Client(enforce_csrf_checks=True)
    strict.cookies = screen.cookies
    assert take_over(strict, hand).status_code == 403
