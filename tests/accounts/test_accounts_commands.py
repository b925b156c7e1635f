"""A new installation is brought to life, and clients are registered, from the command line."""

from __future__ import annotations

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock
from tests.signing_in import shown_key, signed_in, totp

pytestmark = pytest.mark.django_db


def run(*arguments: str) -> str:
    out = StringIO()
    call_command(*arguments, stdout=out)
    return out.getvalue()


def first_steps(password: str = "seven herons by the weir") -> str:
    arguments = ["--branch", "mill", "--name", "Millrace (invented)", "--username", "office", "--password", password]
    return run("first_steps", *arguments)


def test_first_steps_open_a_branch_and_an_account_that_signs_in():
    assert "MILL" in first_steps()
    browser = Client()
    page = browser.post(
        "/sign-in/?next=/admin/", {"username": "office", "password": "seven herons by the weir"}, follow=True
    )
    assert b"Set up the second step" in page.content
    assert browser.get("/api/v1/me/").status_code == 401
    page = browser.post(page.redirect_chain[-1][0], {"code": totp(shown_key(page.content), clock.now().timestamp())})
    assert b'href="/admin/"' in page.content
    assert browser.get("/admin/").status_code == 200
    me = browser.get("/api/v1/me/").json()
    assert me["permissions"]["branches.edit"] == ["all"]


def test_first_steps_are_taken_once_and_with_a_decent_password():
    with pytest.raises(CommandError, match="too short"):
        first_steps("short")
    assert not Branch.objects.exists()
    first_steps()
    with pytest.raises(CommandError, match="already"):
        first_steps()


def test_a_password_typed_in_another_form_of_unicode_signs_in(monkeypatch):
    """Unicode Annex 15: "e" with a combining accent, and a ligature, are in NFKC what a keyboard sends as one."""
    typed = iter(["caf\u0065\u0301 of seven \ufb01ne herons"] * 2)
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(typed))
    run("first_steps", "--branch", "mill", "--name", "Millrace (invented)", "--username", "office")
    answer = Client().post("/sign-in/", {"username": "office", "password": "caf\u00e9 of seven fine herons"})
    assert answer["Location"].startswith("/second-factor/new/")


def test_a_mistyped_first_password_does_nothing(monkeypatch):
    typed = iter(["seven herons by the weir", "seven herons by the wier"])
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(typed))
    with pytest.raises(CommandError, match="not the same"):
        run("first_steps", "--branch", "mill", "--name", "Millrace (invented)", "--username", "office")
    assert not Branch.objects.exists()


def test_a_staff_app_does_not_take_over_a_service_account(mill):
    run("client_new", "till", "--role", "counter", "--branch", mill.code)
    with pytest.raises(CommandError, match="is a service account"):
        run("client_new", "till", "--staff-app", "https://staff.example/back")


def test_an_integrators_client_gets_a_token(mill):
    text = run("client_new", "books", "--role", "bookkeeper")
    client_id, secret = text.split()[1], text.split()[3]
    answer = Client().post(
        "/oauth/token/",
        {"grant_type": "client_credentials", "client_id": client_id, "client_secret": secret, "scope": "billing:read"},
    )
    assert answer.status_code == 200, answer.content
    assert secret not in User.objects.get(username="service-books").password


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--role", "counter"], "give --branch"),
        (["--role", "counter", "--branch", "NONE"], "no branch NONE"),
        ([], "Give --role"),
    ],
)
def test_what_makes_no_sense_is_refused(mill, arguments, words):
    with pytest.raises(CommandError, match=words):
        run("client_new", "till", *arguments)


def test_who_runs_the_machine_lets_the_only_one_of_head_office_in_again(head_office):
    run("person_reset", "office", "--second-factor")  # also where there is none to reset
    signed_in(head_office)
    link = run("person_reset", "office", "--second-factor").split()[0]
    assert Client().post(link, {"new_password": "nine herons on the roof"}).status_code == 302
    again = Client().post("/sign-in/", {"username": "office", "password": "nine herons on the roof"})
    assert again["Location"].startswith("/second-factor/new/")
    with pytest.raises(CommandError, match="nobody called"):
        run("person_reset", "nobody-at-all")
