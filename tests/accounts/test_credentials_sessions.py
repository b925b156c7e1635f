"""Sessions: limits, the list of one's own, ending them; head office sees and ends those of people it manages."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from opticshop.accounts.events import SIGN_IN_ENDED
from opticshop.accounts.models import SignIn
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON, member

from .signing import PASSWORD, App, bearer, browser_of, me

pytestmark = pytest.mark.django_db
MINE, ALL = "/api/v1/me/sign-ins/", "/api/v1/sign-ins/"


@pytest.fixture
def stranger(quay):
    return member("stranger", "counter", quay)


def is_open(browser):
    return browser.get("/api/v1/me/").status_code == 200


def test_a_session_ends_when_it_idles_and_in_any_case(clerk, settings):
    """OWASP, Session Management Cheat Sheet, automatic session expiration: idle and absolute."""
    idle, whole = settings.OPTICSHOP_SESSION_IDLE_SECONDS, settings.OPTICSHOP_SESSION_SECONDS
    assert idle <= 30 * 60
    assert whole <= 24 * 3600
    whole = settings.OPTICSHOP_SESSION_SECONDS = 3 * idle
    browser, resting = browser_of(clerk), browser_of(clerk)
    with clock.at(NOON + dt.timedelta(seconds=idle)):
        assert not is_open(resting)
    moment = 0
    while moment < whole - 1:
        moment = min(moment + idle - 1, whole - 1)
        with clock.at(NOON + dt.timedelta(seconds=moment)):
            assert is_open(browser), moment
    with clock.at(NOON + dt.timedelta(seconds=whole)):
        assert not is_open(browser)


def test_that_it_is_in_use_is_written_now_and_then(clerk, queries):
    browser = browser_of(clerk)
    with clock.at(NOON + dt.timedelta(seconds=60)):
        soon = queries(lambda: browser.get("/api/v1/me/"))
    with clock.at(NOON + dt.timedelta(seconds=300)):
        later = queries(lambda: browser.get("/api/v1/me/"))
        assert later == soon + 1
        assert queries(lambda: browser.get("/api/v1/me/")) == soon


def test_the_key_changes_with_the_sign_in_and_what_was_before_opens_nothing(clerk):
    """OWASP, as above: the id is renewed when the privilege changes; session fixation."""
    browser = Client()
    session = browser.session
    session["anything"] = 1
    session.save()
    browser.cookies["session"] = before = session.session_key
    browser.force_login(clerk)
    assert browser.cookies["session"].value != before
    stale = Client()
    stale.cookies["session"] = before
    assert not is_open(stale)
    assert not SignIn.objects.filter(session_key=before).exists()


def test_my_sign_ins_are_listed_and_ended_one_by_one(clerk, stranger):
    here, there, theirs = browser_of(clerk), Client(headers={"User-Agent": "Reed 3 (invented)"}), browser_of(stranger)
    there.post("/sign-in/", {"username": "clerk", "password": PASSWORD})
    app = App("counter app")
    tokens = app.sign_in(here)
    rows = here.get(MINE).json()["results"]
    assert [(row["way"], row["app"], row["is_this"]) for row in rows] == [
        ("app", "counter app", False),
        ("browser", "", False),
        ("browser", "", True),
    ]
    assert rows[1]["device"] == "Reed 3 (invented)"
    assert rows[1]["address"] == "127.0.0.1"
    assert not {"session_key", "token_family"} & set(rows[0])
    by_app = Client().get(MINE, headers=bearer(tokens["access_token"])).json()["results"]
    assert [row["is_this"] for row in by_app] == [True, False, False]
    assert here.delete(f"{MINE}{rows[0]['id']}/").status_code == 204
    assert me(tokens["access_token"]).status_code == 401
    assert app.refresh(tokens).json()["error"] == "invalid_grant"
    assert here.delete(f"{MINE}{rows[1]['id']}/").status_code == 204
    assert not is_open(there)
    assert is_open(here)
    not_mine = SignIn.objects.get(user=stranger)
    assert here.delete(f"{MINE}{not_mine.id}/").status_code == 404
    assert is_open(theirs)
    assert OutboxEvent.objects.filter(type=SIGN_IN_ENDED, actor_id=clerk.id).count() == 2


def test_all_but_this_one(clerk):
    here, there = browser_of(clerk), browser_of(clerk)
    tokens = App().sign_in(there)
    answer = here.post(f"{MINE}end-others/", {}, content_type="application/json")
    assert answer.json() == {"ended": 2}
    assert is_open(here)
    assert not is_open(there)
    assert me(tokens["access_token"]).status_code == 401


def test_head_office_sees_and_ends_those_of_people_it_manages(api, clerk, stranger, manager, head_office, mill):
    there, theirs = browser_of(clerk), browser_of(stranger)
    office = api(head_office)
    rows = office.get(ALL).json()["results"]
    assert {row["username"] for row in rows} == {"clerk", "stranger"}
    assert [row["username"] for row in office.get(ALL, {"user": str(clerk.id)}).json()["results"]] == ["clerk"]
    [of_clerk] = [row for row in rows if row["username"] == "clerk"]
    assert api(manager).get(ALL).status_code == 403
    assert office.delete(f"{ALL}{of_clerk['id']}/").status_code == 204
    assert not is_open(there)
    ended = office.post(f"{ALL}end-all/", {"user": str(stranger.id)})
    assert ended.json() == {"ended": 1}
    assert not is_open(theirs)


def test_head_office_of_one_branch_manages_who_works_there_only(api, clerk, stranger, mill):
    office = api(member("office-mill", "head_office", mill))
    browser_of(clerk)
    stays = browser_of(stranger)
    assert [row["username"] for row in office.get(ALL).json()["results"]] == ["clerk"]
    assert office.delete(f"{ALL}{SignIn.objects.get(user=stranger).id}/").status_code == 404
    assert office.post(f"{ALL}end-all/", {"user": str(stranger.id)}).status_code == 404
    assert is_open(stays)


def test_a_longer_list_takes_no_more_queries(api, head_office, clerk, queries):
    office = api(head_office)
    browser_of(clerk)
    office.get(ALL)
    few = queries(lambda: office.get(ALL))
    for _ in range(3):
        browser_of(clerk)
    assert queries(lambda: office.get(ALL)) == few
