"""Service accounts: made with scopes and a last day, secrets rotated, ended at once. Refusals: RFC 6749, 5.2."""

from __future__ import annotations

import datetime as dt
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from opticshop.accounts.events import SERVICE_ACCOUNT_CREATED, SERVICE_ACCOUNT_REVOKED, SERVICE_ACCOUNT_ROTATED
from opticshop.accounts.models import ServiceAccount
from opticshop.core import clock
from opticshop.core.models import OutboxEvent
from tests.conftest import NOON, member

from .signing import everything_kept, me, service_token

pytestmark = pytest.mark.django_db
URL = "/api/v1/service-accounts/"


@pytest.fixture
def office(api, head_office):
    return api(head_office)


def wanted(branch, **other):
    return {
        "name": "till-1",
        "role": "counter",
        "branches": [str(branch.id)],
        "scopes": ["customers:read", "orders:read"],
        "expires_on": "2026-12-31",
        **other,
    }


def made(office, branch, **other):
    answer = office.post(URL, wanted(branch, **other))
    assert answer.status_code == 201, answer.content
    return answer.json()


def error(answer):
    return answer.status_code, answer.json()["error"]


def test_it_is_given_its_scopes_and_no_more(office, mill):
    account = made(office, mill)
    client_id, secret = account["client_id"], account["client_secret"]
    assert service_token(client_id, secret, "customers:read orders:read").status_code == 200
    assert error(service_token(client_id, secret, "customers:read billing:write")) == (400, "invalid_scope")
    assert error(service_token(client_id, "wrong")) == (401, "invalid_client")
    assert secret not in everything_kept()
    [event] = OutboxEvent.objects.filter(type=SERVICE_ACCOUNT_CREATED)
    assert "name" not in event.data


@pytest.mark.parametrize(
    ("other", "status", "code"),
    [
        ({"scopes": ["ledger:write"]}, 422, "accounts.scopes_beyond_role"),
        ({"expires_on": "2026-03-01"}, 422, "accounts.expiry_out_of_range"),
        ({"expires_on": "2027-03-04"}, 422, "accounts.expiry_out_of_range"),
        ({"expires_on": None}, 400, "core.malformed"),
        ({"branches": None}, 422, "accounts.branches_unsuitable"),
        ({"branches": []}, 422, "accounts.branches_unsuitable"),
        ({"branches": ["00000000-0000-7000-8000-000000000000"]}, 404, "core.not_found"),
    ],
)
def test_what_makes_no_sense_is_refused(office, mill, other, status, code):
    answer = office.post(URL, wanted(mill, **other))
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert not ServiceAccount.objects.exists()


def test_a_name_is_given_once(office, mill):
    made(office, mill)
    answer = office.post(URL, wanted(mill))
    assert (answer.status_code, answer.json()["code"]) == (409, "accounts.service_account_name_taken")


def test_a_name_is_given_once_on_the_command_line_too(mill):
    call_command("client_new", "books", "--role", "bookkeeper", stdout=StringIO())
    with pytest.raises(CommandError, match="taken"):
        call_command("client_new", "books", "--role", "bookkeeper", stdout=StringIO())


def test_both_secrets_hold_for_the_overlap(office, mill):
    account = made(office, mill)
    answer = office.post(f"{URL}{account['id']}/rotate/", {"overlap_hours": 2}).json()
    old, new = account["client_secret"], answer["client_secret"]
    for secret in (old, new):
        assert service_token(account["client_id"], secret).status_code == 200
    with clock.at(NOON + dt.timedelta(hours=2)):
        assert error(service_token(account["client_id"], old)) == (401, "invalid_client")
        assert service_token(account["client_id"], new).status_code == 200
    assert office.post(f"{URL}{account['id']}/rotate/", {"overlap_hours": 169}).status_code == 400
    assert OutboxEvent.objects.filter(type=SERVICE_ACCOUNT_ROTATED).count() == 1


def test_without_an_overlap_the_secret_and_its_tokens_end_at_once(office, mill):
    account = made(office, mill)
    token = service_token(account["client_id"], account["client_secret"]).json()["access_token"]
    office.post(f"{URL}{account['id']}/rotate/", {"overlap_hours": 0})
    assert me(token).status_code == 401
    assert error(service_token(account["client_id"], account["client_secret"])) == (401, "invalid_client")


def test_revoked_it_opens_nothing(office, mill):
    account = made(office, mill)
    token = service_token(account["client_id"], account["client_secret"]).json()["access_token"]
    assert me(token).status_code == 200
    for _ in range(2):
        assert office.post(f"{URL}{account['id']}/revoke/", {}).json()["holds"] is False
    assert me(token).status_code == 401
    assert error(service_token(account["client_id"], account["client_secret"])) == (401, "invalid_client")
    assert office.post(f"{URL}{account['id']}/rotate/", {}).json()["code"] == "accounts.service_account_ended"
    assert OutboxEvent.objects.filter(type=SERVICE_ACCOUNT_REVOKED).count() == 1


def test_its_last_day_ends_it_and_no_token_outlives_it(office, mill):
    account = made(office, mill, expires_on="2026-03-10")
    client_id, secret = account["client_id"], account["client_secret"]
    end = dt.datetime(2026, 3, 11, tzinfo=dt.UTC)
    assert service_token(client_id, secret).json()["expires_in"] == 900
    with clock.at(end - dt.timedelta(seconds=100)):
        last = service_token(client_id, secret).json()
        assert last["expires_in"] == 100
        assert me(last["access_token"]).status_code == 200
    with clock.at(end):
        assert me(last["access_token"]).status_code == 401
        assert error(service_token(client_id, secret)) == (401, "invalid_client")


def test_the_list_says_when_it_was_used_and_what_expires_soon(office, mill, queries):
    soon = made(office, mill, expires_on="2026-03-16")
    made(office, mill, name="till-2", expires_on="2026-03-17")
    service_token(soon["client_id"], soon["client_secret"])
    rows = office.get(URL).json()["results"]
    assert [(row["name"], row["expires_soon"], row["last_used_at"]) for row in rows] == [
        ("till-2", False, None),
        ("till-1", True, "2026-03-02T12:00:00Z"),
    ]
    assert rows[0]["branches"] == [str(mill.id)]
    assert not [name for row in rows for name in row if "secret" in name]
    few = queries(lambda: office.get(URL))
    made(office, mill, name="till-3")
    assert queries(lambda: office.get(URL)) == few


def test_head_office_of_one_branch_makes_none_that_reaches_further(api, office, mill, quay):
    here = api(member("office-mill", "head_office", mill))
    both = made(office, mill, branches=[str(mill.id), str(quay.id)])
    everywhere = made(office, mill, name="books", role="bookkeeper", branches=None, scopes=["ledger:read"])
    mine = made(here, mill, name="till-2")
    assert [row["name"] for row in here.get(URL).json()["results"]] == ["till-2"]
    for beyond in (both, everywhere):
        assert here.get(f"{URL}{beyond['id']}/").status_code == 404
        assert here.post(f"{URL}{beyond['id']}/revoke/", {}).status_code == 404
    assert here.get(f"{URL}{mine['id']}/").status_code == 200
    assert here.post(URL, wanted(mill, name="x", branches=[str(quay.id)])).status_code == 404
    refused = here.post(URL, wanted(mill, name="x", role="bookkeeper", branches=None, scopes=[]))
    assert refused.status_code == 403


def test_managers_make_none(api, manager, mill):
    assert api(manager).post(URL, wanted(mill)).status_code == 403
    assert api(manager).get(URL).status_code == 403
