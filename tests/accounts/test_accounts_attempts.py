"""How often secrets may be tried. NIST SP 800-63B, rate limiting: at most 100 failures in a row for one account; RFC
6585, 4 (429) and RFC 9110, 10.2.3 (Retry-After). The figures of the waits are ours."""

from __future__ import annotations

import datetime as dt
import secrets

import pytest
from django.contrib.auth import authenticate
from django.test import Client

from opticshop.accounts.models import AttemptCount, SecondFactor
from opticshop.accounts.services.attempts import (
    MOST_IN_A_ROW,
    UNTIL_LIFTED,
    TooManyAttempts,
    attempt_allowed,
    attempt_failed,
    attempt_succeeded,
    attempts_clear,
    attempts_forget,
)
from opticshop.core import clock, sealing

pytestmark = pytest.mark.django_db
NOON = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)
HOME, AWAY = "192.0.2.1", "198.51.100.7"
PASSWORD = "seven herons by the weir"


def fail(times: int, address: str | None = AWAY, account: str = "clerk", kind: str = "password") -> int:
    """Tries in vain, at one moment, as long as they are allowed; the wait after that."""
    wait = 0
    for _ in range(times):
        if refused := attempt_allowed(kind, account, address):
            return refused
        wait = attempt_failed(kind, account, address)
    return wait


def test_a_few_tries_are_free_and_then_each_wait_is_twice_the_last():
    assert fail(4) == 0
    now, wait = NOON, fail(1)
    assert wait == 15
    for _ in range(12):
        now += dt.timedelta(seconds=wait)
        with clock.at(now - dt.timedelta(seconds=1)):
            assert attempt_allowed("password", "clerk", AWAY) == 1
        with clock.at(now):
            assert fail(1) == min(3600, 2 * wait)
        wait = min(3600, 2 * wait)
    assert wait == 3600


def test_one_account_from_one_address_is_held_tighter_than_the_account():
    assert fail(5) == 15
    assert attempt_allowed("password", "clerk", "203.0.113.9") == 0
    assert attempt_allowed("password", "another", AWAY) == 0
    assert attempt_allowed("code", "clerk", AWAY) == 0
    for number in range(20):
        fail(1, f"203.0.113.{number + 10}")
    assert attempt_allowed("password", "clerk", "203.0.113.99") > 0  # many places together
    assert attempt_allowed("password", "another", "203.0.113.99") == 0


def tries_let_in(addresses: list[str], apart: dt.timedelta) -> tuple[int, dt.datetime]:
    """How many tries in vain are let in, one after another, with all the patience in the world; and when it is then."""
    let_in, now = 0, clock.now()
    for address in addresses:
        now += apart
        with clock.at(now):
            let_in += attempt_allowed("password", "clerk", address) == 0
    return let_in, now


def test_no_account_sees_more_than_a_hundred_failures_in_a_row_and_its_owner_still_gets_in():
    attempt_allowed("password", "clerk", HOME)
    attempt_succeeded("password", "clerk", HOME)
    let_in, now = tries_let_in([f"10.0.0.{number}" for number in range(1, 56)], dt.timedelta(hours=2))
    assert let_in == 50
    with clock.at(now):
        assert attempt_allowed("password", "clerk", "10.9.9.9") == UNTIL_LIFTED
        more, now = tries_let_in([HOME] * 55, dt.timedelta(hours=1))  # the owner's own place is still open
    assert let_in + more == MOST_IN_A_ROW
    with clock.at(now):
        assert attempts_clear("clerk") > 0
        assert attempt_allowed("password", "clerk", HOME) == 0
        attempt_succeeded("password", "clerk", HOME)
        assert attempt_allowed("password", "clerk", "10.9.9.9") == 0


def test_one_password_on_everybody_is_slowed_down_by_the_address():
    for number in range(30):
        assert fail(1, AWAY, f"name{number}") == (5 if number == 29 else 0)
    assert attempt_allowed("password", "clerk", AWAY) == 5
    assert attempt_allowed("password", "clerk", HOME) == 0
    attempt_succeeded("password", "known", AWAY)
    assert attempt_allowed("password", "known", AWAY) == 0  # who works behind that address goes on working
    with clock.at(NOON + dt.timedelta(hours=1, seconds=1)):
        assert attempt_allowed("password", "clerk", AWAY) == 0


def test_tries_of_the_same_moment_count_before_their_outcome_is_known():
    assert [attempt_allowed("password", "clerk", AWAY) for _ in range(7)] == [0, 0, 0, 0, 0, 15, 15]


def test_a_network_of_ipv6_is_one_place():
    """RFC 4291, 2.5.4: the last 64 bits are the interface's, to be had for nothing."""
    for number in range(5):
        fail(1, f"2001:db8:1:2::{number + 1}")
    assert attempt_allowed("password", "clerk", "2001:db8:1:2:ffff::1") == 15
    assert attempt_allowed("password", "clerk", "2001:db8:1:3::1") == 0
    assert AttemptCount.objects.filter(scope="pair", address="2001:db8:1:2::/64").get().failures == 5


def post(name: str, password: str, **headers: str):
    return Client().post("/sign-in/", {"username": name, "password": password}, headers=headers)


def test_the_page_says_wait_also_for_a_name_that_nobody_has(clerk):
    clerk.set_password(PASSWORD)
    clerk.save()
    seen = {name: [post(name, "wrong") for _ in range(6)] for name in ("clerk", "nobody-at-all")}
    told = [
        [(each.status_code, each.get("Retry-After"), each.content.count(b"try")) for each in answers]
        for answers in seen.values()
    ]
    assert told[0] == told[1]
    assert [each[:2] for each in told[0]] == [(400, None)] * 5 + [(429, "15")]
    assert post("clerk", PASSWORD).status_code == 429  # the right one neither, as long as the wait is on
    assert b"Wait 15 seconds" in post("clerk", PASSWORD).content
    with clock.at(NOON + dt.timedelta(seconds=15)):
        assert post("clerk", PASSWORD).status_code == 302
        assert post("clerk", "wrong").status_code == 400  # and the count begins anew
    assert not AttemptCount.objects.filter(account__icontains="clerk").exists()


def test_the_address_is_the_one_that_our_own_proxy_saw(clerk, settings):
    for number in range(6):
        last = post("clerk", "wrong", X_Forwarded_For=f"203.0.113.{number}")
    assert last.status_code == 429  # what anybody can write is not believed
    settings.OPTICSHOP_BEHIND_PROXY = True
    assert post("clerk", "wrong", X_Forwarded_For="192.0.2.1, 203.0.113.50").status_code == 400


def test_a_right_password_without_the_code_counts_too(manager, head_office, api):
    manager.set_password(PASSWORD)
    manager.save()
    key = sealing.seal("second factor", secrets.token_bytes(20))
    SecondFactor.objects.create(user=manager, sealed_key=key, confirmed_at=NOON)
    browser = Client()
    place = browser.post("/sign-in/", {"username": "manager", "password": PASSWORD})["Location"]
    answers = [browser.post(place, {"code": f"{number:06}"}).status_code for number in range(6)]
    assert answers == [422] * 5 + [429]
    assert api(head_office).post(f"/api/v1/people/{manager.id}/lift/", {}).status_code == 200
    assert browser.post(place, {"code": "000009"}).status_code == 422


def test_every_door_of_the_password_counts(clerk):
    assert fail(5, address=None) == 15
    with pytest.raises(TooManyAttempts):
        authenticate(username="clerk", password="wrong")


def test_what_says_nothing_of_anybody_is_forgotten(clerk):
    attempt_allowed("password", "clerk", HOME)
    attempt_succeeded("password", "clerk", HOME)
    fail(2, AWAY, "clerk")
    fail(2, AWAY, "nobody-at-all")
    with clock.at(NOON + dt.timedelta(days=29)):
        assert attempts_forget() == 0
    with clock.at(NOON + dt.timedelta(days=31)):
        assert attempts_forget() == 5  # three of a name that nobody has, and both addresses
        assert attempts_forget() == 0
        assert AttemptCount.objects.filter(scope="pair", succeeded_at__isnull=False).count() == 1
        assert fail(3, AWAY, "clerk") == 15  # the clerk's own count stands
