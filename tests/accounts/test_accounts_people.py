"""The people who work here: who may see and change whom, and what ends when they leave."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.test import Client

from opticshop.accounts import services
from opticshop.accounts.access import actor_for
from opticshop.accounts.models import Invitation, Membership, SignIn, User
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from tests.conftest import member

pytestmark = pytest.mark.django_db
PASSWORD = "seven herons by the weir"
NOON = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)
PEOPLE = "/api/v1/people/"


def url(person: User, act: str = "") -> str:
    return f"{PEOPLE}{person.id}/{act}"


def wanted(**more: object) -> dict[str, object]:
    return {"username": "wren", "display_name": "Wren Alder", "roles": [], **more}


def names(answer) -> set[str]:
    return {each["username"] for each in answer.json()["results"]}


@pytest.fixture
def office_at_quay(quay):
    """Head office of one branch only."""
    return member("quay-office", "head_office", quay)


# --- seeing ---------------------------------------------------------------------------------------------------------


def test_a_manager_sees_who_works_at_the_branch_and_only_those_roles(
    api, manager, clerk, hand, outsider, head_office, quay
):
    Membership.objects.create(user=clerk, role="workshop", branch=quay)
    services.service_client_register(
        actor=system("test"), name="till", role="counter", branch=manager.memberships.get().branch
    )
    seen = api(manager).get(PEOPLE)
    assert names(seen) == {"manager", "clerk", "hand"}
    [row] = [each for each in seen.json()["results"] if each["username"] == "clerk"]
    assert [each["role"] for each in row["memberships"]] == ["counter"]
    assert names(api(manager).get(PEOPLE, {"branch": str(quay.id)})) == set()
    assert names(api(manager).get(PEOPLE, {"role": "workshop"})) == {"hand"}
    assert names(api(manager).get(PEOPLE, {"name": "cle"})) == {"clerk"}
    assert api(manager).get(url(outsider)).status_code == 404
    everybody = {"manager", "clerk", "hand", "outsider", "office"}
    assert names(api(head_office).get(PEOPLE)) == everybody
    assert names(api(head_office).get(PEOPLE, {"branch": str(quay.id)})) == {"clerk", "outsider"}
    assert names(api(head_office).get(PEOPLE, {"is_active": "false"})) == set()
    assert api(clerk).get(PEOPLE).status_code == 403


def test_the_list_takes_as_many_queries_for_many(api, head_office, mill, queries):
    client = api(head_office)
    few = queries(lambda: client.get(PEOPLE))
    for number in range(8):
        member(f"person{number}", "manager", mill)
    assert queries(lambda: client.get(PEOPLE)) <= few + 4


# --- registering ----------------------------------------------------------------------------------------------------


def test_a_person_begins_with_a_link_that_works_once(api, head_office, mill):
    roles = [{"role": "counter", "branch": str(mill.id)}]
    answer = api(head_office).post(PEOPLE, wanted(roles=roles, email="wren@example.org"))
    assert answer.status_code == 201, answer.content
    body = answer.json()
    assert (body["is_invited"], body["needs_second_factor"], body["invitation"]["purpose"]) == (True, False, "welcome")
    link = re.sub(r"^https?://[^/]+", "", body["invitation"]["url"])
    token = link.strip("/").split("/")[-1]
    assert not Invitation.objects.filter(token_digest=token).exists()
    assert token not in str(list(OutboxEvent.objects.values_list("data", flat=True)))
    assert OutboxEvent.objects.filter(type="accounts.role_granted", branch_id=mill.id).exists()
    browser = Client()
    page = browser.get(link)
    assert b"Wren Alder" in page.content
    assert "no-store" in page["Cache-Control"]
    refused = browser.post(link, {"new_password": "too short"})
    assert (refused.status_code, b"too short" in refused.content) == (422, True)
    assert browser.post(link, {"new_password": PASSWORD})["Location"] == "/sign-in/"
    assert browser.get(link).status_code == browser.post(link, {"new_password": PASSWORD}).status_code == 404
    assert browser.post("/sign-in/", {"username": "wren", "password": PASSWORD})["Location"] == "/"
    assert browser.get("/api/v1/me/").json()["display_name"] == "Wren Alder"
    assert api(head_office).get(f"{PEOPLE}{body['id']}/").json()["is_invited"] is False


def test_a_link_ends_by_time_by_a_newer_one_and_when_the_person_leaves(api, head_office, clerk):
    client = api(head_office)
    old = client.post(url(clerk, "invite/"), {}).json()["url"]
    new = client.post(url(clerk, "invite/"), {}).json()["url"]
    assert Client().get(old).status_code == 404
    assert Client().get(new).status_code == 200
    with clock.at(NOON + dt.timedelta(days=3, seconds=1)):
        assert Client().post(new, {"new_password": PASSWORD}).status_code == 404
    client.post(url(clerk, "deactivate/"), {"reason": "Has left"})
    assert Client().get(new).status_code == 404
    assert client.post(url(clerk, "invite/"), {}).json()["code"] == "accounts.not_active"


def test_a_reset_takes_the_password_and_every_sign_in(api, head_office, clerk):
    clerk.set_password(PASSWORD)
    clerk.save()
    browser = Client()
    browser.post("/sign-in/", {"username": "clerk", "password": PASSWORD})
    assert browser.get("/api/v1/me/").status_code == 200
    answer = api(head_office).post(url(clerk, "invite/"), {})
    assert (answer.status_code, answer.json()["purpose"]) == (201, "reset")
    assert browser.get("/api/v1/me/").status_code == 401
    assert Client().post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 400
    assert Client().post(answer.json()["url"], {"new_password": "nine herons on the roof"}).status_code == 302
    assert Client().post("/sign-in/", {"username": "clerk", "password": "nine herons on the roof"}).status_code == 302


@pytest.mark.parametrize(
    ("more", "status", "code"),
    [
        ({"username": "CLERK"}, 409, "accounts.username_taken"),
        ({"username": "Service-till"}, 422, "accounts.username_reserved"),
        ({"username": "with space"}, 400, "core.malformed"),
        ({"password": PASSWORD}, 400, "core.malformed"),
        ({"is_superuser": True}, 400, "core.malformed"),
        ({"roles": [{"role": "counter", "branch": None}]}, 422, "accounts.role_needs_branch"),
        ({"roles": [{"role": "owner", "branch": None}]}, 400, "core.malformed"),
    ],
)
def test_what_cannot_be_registered_is_refused_and_nothing_is_written(api, head_office, clerk, more, status, code):
    before = User.objects.count()
    answer = api(head_office).post(PEOPLE, wanted(**more))
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert User.objects.count() == before
    keyed = api(head_office).post(PEOPLE, wanted(), headers={"Idempotency-Key": "an-answer-that-is-kept"})
    assert keyed.status_code == 400  # the link must not be kept to be told again


# --- authority ------------------------------------------------------------------------------------------------------


def test_head_office_of_one_branch_has_no_power_over_others(
    api, office_at_quay, head_office, clerk, outsider, mill, quay
):
    client = api(office_at_quay)
    at = {"quay": str(quay.id), "mill": str(mill.id), "all": None}
    for where, status in (("quay", 201), ("mill", 404), ("all", 403)):
        roles = [{"role": "head_office", "branch": at[where]}]
        assert client.post(PEOPLE, wanted(username=where, roles=roles)).status_code == status
    assert client.post(PEOPLE, wanted(username="roleless")).status_code == 403
    assert client.post(url(outsider, "grant/"), {"role": "head_office", "branch": None}).status_code == 403
    assert client.post(url(clerk, "invite/"), {}).status_code == 404
    assert client.post(url(outsider, "lift/"), {}).status_code == 200
    Membership.objects.create(user=outsider, role="manager", branch=mill)
    for act in ("invite/", "second-factor/reset/", "lift/"):
        assert client.post(url(outsider, act), {}).status_code == 403  # it would open the other branch
    assert client.post(url(outsider, "deactivate/"), {"reason": "x"}).status_code == 403
    assert client.post(url(outsider, "revoke/"), {"role": "manager", "branch": at["quay"]}).status_code == 200
    assert api(head_office).post(url(outsider, "invite/"), {}).status_code == 201


def test_roles_are_given_and_taken(api, head_office, clerk, mill, quay):
    client = api(head_office)
    given = client.post(url(clerk, "grant/"), {"role": "manager", "branch": str(quay.id)})
    assert given.status_code == 200, given.content
    assert given.json()["needs_second_factor"] is True
    assert actor_for(clerk).may("billing.refund", quay.id)
    assert not actor_for(clerk).may("billing.refund", mill.id)
    again = client.post(url(clerk, "grant/"), {"role": "manager", "branch": str(quay.id)})
    assert again.status_code == 200
    assert OutboxEvent.objects.filter(type="accounts.role_granted").count() == 1
    taken = client.post(url(clerk, "revoke/"), {"role": "manager", "branch": str(quay.id)})
    assert [each["role"] for each in taken.json()["memberships"]] == ["counter"]
    assert client.post(url(clerk, "revoke/"), {"role": "manager", "branch": str(quay.id)}).status_code == 404


def test_the_last_of_head_office_cannot_be_lost(api, head_office, office_at_quay):
    client = api(head_office)
    everywhere = {"role": "head_office", "branch": None}
    services.service_client_register(actor=system("test"), name="books", role="head_office", branch=None)
    gone = member("gone", "head_office", None, is_active=False)
    for act, body in (("revoke/", everywhere), ("deactivate/", {"reason": "x"})):
        refused = client.post(url(head_office, act), body)
        assert (refused.status_code, refused.json()["code"]) == (409, "accounts.last_head_office")
    assert client.post(url(gone, "reactivate/"), {"reason": "Is back"}).status_code == 200
    assert client.post(url(head_office, "revoke/"), everywhere).status_code == 200
    assert api(head_office).get(PEOPLE).status_code == 403


def test_somebody_who_cannot_sign_in_yet_is_not_somebody_left(api, head_office):
    client = api(head_office)
    everywhere = {"role": "head_office", "branch": None}
    made = client.post(PEOPLE, wanted(roles=[everywhere])).json()
    refused = client.post(url(head_office, "revoke/"), everywhere)
    assert refused.json()["code"] == "accounts.last_head_office"
    Client().post(made["invitation"]["url"], {"new_password": "nine herons on the roof"})
    assert client.post(url(head_office, "revoke/"), everywhere).status_code == 200


def test_the_back_office_ends_with_head_office(api, head_office):
    member("other", "head_office", None)
    User.objects.filter(id=head_office.id).update(is_staff=True, is_superuser=True)
    everywhere = {"role": "head_office", "branch": None}
    assert api(head_office).post(url(head_office, "revoke/"), everywhere).status_code == 200
    head_office.refresh_from_db()
    assert (head_office.is_staff, head_office.is_superuser) == (False, False)


def test_nobody_makes_a_link_for_themselves(api, head_office):
    assert api(head_office).post(url(head_office, "invite/"), {}).status_code == 403


# --- amending and leaving -------------------------------------------------------------------------------------------


def test_giving_and_taking_a_role_makes_a_new_version(api, head_office, clerk, mill):
    """Roles are shown with the person, so a tag of before is no longer true (RFC 9110, 8.8.1)."""
    client = api(head_office)
    versions = [client.get(url(clerk)).json()["version"]]
    body = {"role": "workshop", "branch": str(mill.id)}
    for act in ("grant", "grant", "revoke"):
        assert client.post(url(clerk, f"{act}/"), body).status_code == 200
        versions.append(client.get(url(clerk)).json()["version"])
    assert versions == [1, 2, 2, 3], "what is held already is not given again"
    stale = client.patch(url(clerk), {"display_name": "C. Lerk"}, headers={"If-Match": '"1"'})
    assert stale.status_code == 412


def test_amending_asks_for_the_version_that_was_read(api, head_office, clerk):
    client = api(head_office)
    tag = client.get(url(clerk))["ETag"]
    changes = {"display_name": "Wren of the Mill", "registration_number": "D-00017"}
    assert client.patch(url(clerk), changes).status_code == 428
    changed = client.patch(url(clerk), changes, headers={"If-Match": tag})
    assert (changed.status_code, changed.json()["display_name"]) == (200, "Wren of the Mill")
    assert client.patch(url(clerk), changes, headers={"If-Match": tag}).status_code == 412
    assert client.patch(url(clerk), {"username": "x"}, headers={"If-Match": tag}).status_code == 400
    assert OutboxEvent.objects.get(type="accounts.person_amended").data["fields"] == sorted(changes)


def test_whoever_leaves_is_out_at_once_and_may_come_back(api, head_office, clerk):
    clerk.set_password(PASSWORD)
    clerk.save()
    browser = Client()
    browser.post("/sign-in/", {"username": "clerk", "password": PASSWORD})
    client = api(head_office)
    assert client.post(url(clerk, "deactivate/"), {}).status_code == 400
    left = client.post(url(clerk, "deactivate/"), {"reason": "Has left"})
    assert (left.status_code, left.json()["is_active"]) == (200, False)
    assert browser.get("/api/v1/me/").status_code == 401
    assert not SignIn.objects.filter(user=clerk).exists()
    assert Client().post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 400
    assert client.post(url(clerk, "deactivate/"), {"reason": "x"}).json()["code"] == "accounts.already_so"
    assert client.post(url(clerk, "reactivate/"), {"reason": "Is back"}).status_code == 200
    assert Client().post("/sign-in/", {"username": "clerk", "password": PASSWORD}).status_code == 302
    assert OutboxEvent.objects.get(type="accounts.person_deactivated").data["reason"] == "Has left"
