"""What a password must be and how it is kept: NIST SP 800-63B, rev. 4, 3.1.1.2 (from memory); OWASP, Password Storage
Cheat Sheet; RFC 9106, section 4; Unicode Standard Annex 15."""

from __future__ import annotations

import time

import pytest
from django.contrib.auth.hashers import check_password, identify_hasher, make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.test import Client

from opticshop.accounts.models import User
from opticshop.accounts.passwords import LONGEST, normalized
from opticshop.core.models import OutboxEvent

PASSWORD = "seven herons by the weir"
PERSON = User(username="wren.alder.of.mill", display_name="Wren Alder of the Mill")
ARGON2 = "opticshop.accounts.passwords.Argon2idHasher"
PBKDF2 = "django.contrib.auth.hashers.PBKDF2PasswordHasher"


@pytest.mark.parametrize(
    "password",
    [
        "a" * 14,
        "seven herons b",  # 14
        "x" * 201,
        "passwordpassword",
        "abcabcabcabcabcabc",
        "aaaaaaaaaaaaaaaaaaaaaaaa",
        "123456789012345678",
        "abcdefghijklmnopqrstuvwxyz",
        "opticshop opticshop",
        "my opticshop opticshop!",
        "wren.alder.of.mill",
        "Wren Alder of the Mil",
    ],
)
def test_what_is_guessed_first_is_refused(password):
    with pytest.raises(ValidationError):
        validate_password(password, PERSON)


@pytest.mark.parametrize(
    "password",
    [
        PASSWORD,
        "correct horse battery staple",  # no digits, no capitals: no rules of composition
        "4711 8150 2342 1905",
        "сім чапель біля греблі",
        "七羽の鷺が堰のほとりに立っている朝",
        "🐦" * 3 + " by the weir, seven of them",
        "w" * 100 + "h" * 100,  # 200: at least 64 must be allowed
    ],
)
def test_long_ones_of_any_script_are_accepted(password):
    validate_password(password, PERSON)


def test_a_long_run_of_combining_marks_costs_nothing():
    """Normalizing it takes quadratic time: 5 MB, which a form takes, would hold a process for hours."""
    begun = time.process_time()
    assert len(normalized("a" + "\u0301\u0316" * 1_000_000)) > LONGEST
    assert time.process_time() - begun < 1


def test_nothing_that_fits_is_cut():
    """The longest that composes: alpha with three marks is one character (Unicode 16, U+1F82)."""
    longest = "\u03b1\u0313\u0300\u0345" * LONGEST
    assert normalized(longest) == "\u1f82" * LONGEST
    assert len(normalized(longest + "!")) == LONGEST + 1


def test_it_is_kept_with_argon2id_above_the_least_that_owasp_names(settings):
    settings.PASSWORD_HASHERS = [ARGON2, PBKDF2]
    kept = make_password(PASSWORD)
    found = identify_hasher(kept).decode(kept)
    assert found["variety"] == "argon2id"
    assert found["memory_cost"] >= 19456  # KiB
    assert found["time_cost"] >= 2
    assert found["parallelism"] >= 1
    assert (found["memory_cost"], found["time_cost"], found["parallelism"]) == (65536, 3, 4)  # RFC 9106
    assert check_password(PASSWORD, kept)


@pytest.mark.django_db
def test_an_older_hash_is_renewed_at_sign_in(settings, clerk):
    clerk.password = make_password(PASSWORD)
    clerk.save()
    settings.PASSWORD_HASHERS = [ARGON2, "django.contrib.auth.hashers.MD5PasswordHasher"]
    Client().post("/sign-in/", {"username": "clerk", "password": "wrong"})
    clerk.refresh_from_db()
    assert clerk.password.startswith("md5")
    assert Client().post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 302
    clerk.refresh_from_db()
    assert clerk.password.startswith("argon2$argon2id$")


@pytest.fixture
def browser(clerk):
    clerk.set_password(PASSWORD)
    clerk.save()
    browser = Client()
    assert browser.post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 302
    return browser


@pytest.mark.django_db
def test_one_changes_ones_own_on_the_page_and_is_signed_out_elsewhere(browser):
    other = Client()
    other.post("/sign-in/", {"username": "clerk", "password": PASSWORD})
    new = "Ångström und das Wehr"
    assert browser.post("/password/", {"old_password": "wrong", "new_password": new}).status_code == 422
    assert browser.post("/password/", {"old_password": PASSWORD, "new_password": "too short"}).status_code == 422
    assert other.get("/api/v1/me/").status_code == 200
    done = browser.post("/password/", {"old_password": PASSWORD, "new_password": new})
    assert b"It is changed" in done.content
    assert browser.get("/api/v1/me/").status_code == 200
    assert other.get("/api/v1/me/").status_code == 401
    assert Client().post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 400
    apart = "A\u030angstro\u0308m und das Wehr"  # as another keyboard sends the same letters
    assert Client().post("/sign-in/", {"username": "clerk", "password": apart}).status_code == 302


@pytest.mark.django_db
def test_one_changes_ones_own_over_the_api(browser, api):
    def change(old: str, new: str):
        body = {"old_password": old, "new_password": new}
        browser.get("/sign-in/")
        token = browser.cookies["csrf"].value
        return browser.post("/api/v1/me/password/", body, "application/json", headers={"X-CSRFToken": token})

    assert change("wrong", "nine herons on the roof").json()["code"] == "accounts.old_password_wrong"
    refused = change(PASSWORD, "clerk").json()
    assert refused["code"] == "accounts.password_refused"
    assert "15 to 200 characters" in refused["errors"][0]["allowed"][0]
    assert change(PASSWORD, "nine herons on the roof").status_code == 204
    assert browser.get("/api/v1/me/").status_code == 200
    assert "herons" not in str(list(OutboxEvent.objects.values_list("data", flat=True)))
    assert Client().post("/sign-in/", {"username": "clerk", "password": "nine herons on the roof"}).status_code == 302
