"""A request with a bearer token passes by what serves browsers, and is told the same in its headers."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.factories import UserFactory

ORDERS = "/api/v1/orders/"


@pytest.mark.django_db
def test_a_cookie_beside_a_token_that_does_not_stand_opens_nothing(clerk):
    browser = Client()
    browser.force_login(clerk, backend="opticshop.accounts.backends.PasswordBackend")
    assert browser.get(ORDERS).status_code == 200
    answer = browser.get(ORDERS, headers={"Authorization": "Bearer of-nobody"})
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")
    assert "Set-Cookie" not in answer.headers


@pytest.mark.django_db
@pytest.mark.parametrize("path", [ORDERS, "/api/v1/nothing-here/", "/api/v1/orders"])
def test_what_is_told_of_the_answer_is_told_with_a_token_too(path):
    UserFactory()
    plain, with_token = (Client().get(path, headers=each) for each in ({}, {"Authorization": "Bearer of-nobody"}))
    assert plain.status_code == with_token.status_code
    own = {"X-Request-ID", "RateLimit", "WWW-Authenticate", "Content-Length"}
    assert {name for name in plain.headers if name not in own} - {"Vary"} <= set(with_token.headers)
    for name in ("X-Frame-Options", "X-Content-Type-Options", "Content-Security-Policy", "Cache-Control"):
        assert plain.headers.get(name) == with_token.headers.get(name), name


@pytest.mark.django_db
def test_a_host_that_is_not_ours_is_refused_with_a_token_too():
    assert Client().get(ORDERS, headers={"Authorization": "Bearer x", "Host": "else.example"}).status_code == 400


@pytest.mark.django_db
def test_outside_of_the_api_a_token_changes_nothing(clerk):
    browser = Client()
    browser.force_login(clerk, backend="opticshop.accounts.backends.PasswordBackend")
    answers = [browser.get("/bench/", headers=each) for each in ({}, {"Authorization": "Bearer x"})]
    assert {answer.status_code for answer in answers} == {answers[0].status_code}
