"""Webhook endpoints and deliveries over the API: who may, what is refused, what is shown once."""

from __future__ import annotations

import datetime as dt
import uuid

import pytest

from opticshop.accounts.access import actor_for
from opticshop.core import clock
from opticshop.core.errors import Forbidden
from opticshop.core.models import OutboxEvent
from opticshop.integrations import sending, services
from opticshop.integrations.models import WebhookEndpoint
from tests.conftest import member

from .receiving import PAID, delivery_of, happen

pytestmark = pytest.mark.django_db
ENDPOINTS, DELIVERIES = "/api/v1/webhook-endpoints/", "/api/v1/webhook-deliveries/"


@pytest.fixture
def office(api, head_office):
    return api(head_office)


def body(receiver, **more):
    return {"url": receiver.url, "event_types": [PAID], **more}


def code(answer):
    return answer.status_code, answer.json()["code"]


def told():
    return list(OutboxEvent.objects.order_by("id").values_list("type", flat=True))


def test_the_secret_is_shown_once_at_creation_and_once_at_rotation(office, receiver, mill):
    made = office.post(ENDPOINTS, body(receiver, branch=str(mill.id), format="cloudevents", description="Books"))
    assert made.status_code == 201, made.json()
    found = made.json()
    secret = found.pop("secret")
    assert secret.startswith("whsec_")
    assert (found["state"], found["format"], found["branch"]) == ("active", "cloudevents", str(mill.id))
    address = f"{ENDPOINTS}{found['id']}/"
    assert office.get(address).json() == found
    rotated = office.post(f"{address}rotate-secret/", {}).json()
    assert rotated["secret"] != secret
    assert dt.datetime.fromisoformat(rotated["previous_until"]) == clock.now() + dt.timedelta(hours=24)
    row = WebhookEndpoint.objects.everywhere("test").get()
    for shown in (office.get(address), office.get(ENDPOINTS)):
        assert "whsec_" not in shown.content.decode()
        assert row.sealed_secret not in shown.content.decode()
    assert secret not in row.sealed_secret + row.sealed_previous
    assert told() == ["integrations.endpoint_added", "integrations.secret_rotated"]


@pytest.mark.parametrize(
    ("wrong", "expected"),
    [
        ({"url": "http://169.254.169.254/latest"}, (422, "integrations.address_refused")),
        ({"url": "https://user@example.org/"}, (422, "integrations.address_refused")),
        ({"url": "not a url"}, (422, "integrations.address_refused")),
        ({"url": "\u0000"}, (400, "core.malformed")),
        ({"url": "https://example.org/" + "a" * 500}, (400, "core.malformed")),
        ({"event_types": []}, (400, "core.malformed")),
        ({"event_types": ["billing.nothing"]}, (422, "integrations.event_type_unknown")),
        ({"event_types": PAID}, (400, "core.malformed")),
        ({"format": "xml"}, (400, "core.malformed")),
        ({"branch": str(uuid.uuid4())}, (404, "core.not_found")),
        ({"secret": "whsec_mine"}, (400, "core.malformed")),
    ],
)
def test_what_makes_no_endpoint_writes_nothing(office, receiver, wrong, expected):
    assert code(office.post(ENDPOINTS, body(receiver, **wrong))) == expected
    assert not WebhookEndpoint.objects.everywhere("test").exists()
    assert not told()


def test_an_installation_that_allows_no_private_address_refuses_it_at_creation(office, receiver, settings):
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = False
    for url in (receiver.url, "https://127.0.0.1/", "https://[::1]/", "https://localhost/", "https://10.0.0.1/"):
        assert code(office.post(ENDPOINTS, body(receiver, url=url))) == (422, "integrations.address_refused")


def test_a_change_is_guarded_by_the_version_and_checked_like_a_new_one(office, receiver):
    made = office.post(ENDPOINTS, body(receiver))
    address, etag = f"{ENDPOINTS}{made.json()['id']}/", made["ETag"]
    assert office.patch(address, {"description": "x"}).status_code == 428
    refused = office.patch(address, {"url": "http://169.254.169.254/"}, headers={"If-Match": etag})
    assert code(refused) == (422, "integrations.address_refused")
    changed = office.patch(address, {"event_types": ["orders.placed", PAID]}, headers={"If-Match": etag})
    assert changed.json()["event_types"] == [PAID, "orders.placed"]
    assert office.patch(address, {"description": "x"}, headers={"If-Match": etag}).status_code == 412
    assert told() == ["integrations.endpoint_added", "integrations.endpoint_changed"]


def test_pause_resume_retire_and_the_moves_that_are_none(office, receiver):
    made = office.post(ENDPOINTS, body(receiver)).json()
    address = f"{ENDPOINTS}{made['id']}/"
    assert code(office.post(f"{address}resume/", {})) == (409, "core.move_not_allowed")
    assert office.post(f"{address}pause/", {}).json()["state"] == "paused"
    assert office.post(f"{address}resume/", {}).json()["state"] == "active"
    assert office.delete(address).status_code == 204
    assert office.get(address).json()["state"] == "retired"
    for move in ("pause/", "resume/", "rotate-secret/", "test/"):
        assert code(office.post(f"{address}{move}", {})) == (409, "integrations.endpoint_retired")
    assert code(office.post(f"{address}replay/", {"after": "0"})) == (409, "integrations.endpoint_retired")
    assert code(office.delete(address)) == (409, "integrations.endpoint_retired")
    assert told().count("integrations.endpoint_state_changed") == 3


@pytest.mark.parametrize("form", ["plain", "cloudevents"])
def test_a_trial_message_is_sent_at_once_signed_and_told_of(office, receiver, form):
    made = office.post(ENDPOINTS, body(receiver, format=form)).json()
    receiver.answers = [204, 500]
    address = f"{ENDPOINTS}{made['id']}/test/"
    answer = office.post(address, {}).json()
    assert (answer["delivered"], answer["status"], answer["error"]) == (True, 204, "")
    [message] = receiver.verified(made["secret"])
    assert message["type"] == "integrations.test"
    answer = office.post(address, {}).json()
    assert (answer["delivered"], answer["status"]) == (False, 500)
    assert told().count("integrations.endpoint_tested") == 2


def test_replay_over_the_api(office, receiver, mill):
    made = office.post(ENDPOINTS, body(receiver)).json()
    event = happen(mill)
    sending.send_due()
    address = f"{ENDPOINTS}{made['id']}/replay/"
    assert office.post(address, {"after": "0"}).json() == {"deliveries": 1}
    sending.send_due()
    assert receiver.ids == [str(event.id)] * 2
    for wrong in ("soon", str(uuid.uuid4())):
        assert code(office.post(address, {"after": wrong})) == (422, "integrations.cursor_unknown")
    assert code(office.post(address, {})) == (400, "core.malformed")


def test_only_what_is_dead_or_delivered_is_sent_again(office, receiver, mill):
    office.post(ENDPOINTS, body(receiver))
    address = f"{DELIVERIES}{delivery_of(happen(mill)).id}/resend/"
    assert code(office.post(address, {})) == (409, "integrations.not_to_be_resent")
    sending.send_due()
    assert office.post(address, {}).json()["state"] == "pending"
    sending.send_due()
    assert len(receiver.heard) == 2


def test_deliveries_are_listed_with_their_attempts(office, receiver, mill):
    office.post(ENDPOINTS, body(receiver))
    event = happen(mill)
    receiver.answers = [500]
    sending.send_due()
    [row] = office.get(DELIVERIES, {"state": "pending", "event": str(event.id)}).json()["results"]
    assert (row["event"], row["type"], row["settled_at"]) == (str(event.id), PAID, None)
    [attempt] = row["attempts"]
    assert (attempt["number"], attempt["status"], attempt["error"]) == (1, 500, "")
    assert office.get(DELIVERIES, {"state": "dead"}).json()["results"] == []
    assert office.get(f"{DELIVERIES}{row['id']}/").json() == row


def test_the_lists_cost_the_same_however_long_they_are(office, receiver, mill, queries):
    def more(count):
        for _ in range(count):
            office.post(ENDPOINTS, body(receiver))
            happen(mill)
        sending.send_due()

    more(1)
    few = [queries(lambda path=path: office.get(path)) for path in (ENDPOINTS, DELIVERIES)]
    more(3)
    assert [queries(lambda path=path: office.get(path)) for path in (ENDPOINTS, DELIVERIES)] == few


def test_roles(api, receiver, clerk, manager, bookkeeper, head_office):
    made = api(head_office).post(ENDPOINTS, body(receiver)).json()
    for user, reads in ((clerk, 403), (manager, 403), (bookkeeper, 200), (None, 401)):
        client = api(user)
        assert [client.get(path).status_code for path in (ENDPOINTS, DELIVERIES)] == [reads, reads]
        refused = 401 if user is None else 403
        assert client.post(ENDPOINTS, body(receiver)).status_code == refused
        assert client.post(f"{ENDPOINTS}{made['id']}/rotate-secret/", {}).status_code == refused


def test_an_office_of_one_branch_neither_sees_nor_reaches_another_or_the_group(api, office, receiver, mill, quay):
    local = api(member("localoffice", "head_office", quay))
    theirs = office.post(ENDPOINTS, body(receiver, branch=str(mill.id))).json()
    groups = office.post(ENDPOINTS, body(receiver)).json()
    happen(mill)
    sending.send_due()
    assert local.get(ENDPOINTS).json()["results"] == local.get(DELIVERIES).json()["results"] == []
    for hidden in (theirs, groups):
        address = f"{ENDPOINTS}{hidden['id']}/"
        assert local.get(address).status_code == 404
        assert local.patch(address, {"description": "x"}, headers={"If-Match": '"1"'}).status_code == 404
        assert local.delete(address).status_code == 404
        for move in ("pause/", "resume/", "rotate-secret/", "test/"):
            assert local.post(f"{address}{move}", {}).status_code == 404
        assert local.post(f"{address}replay/", {"after": "0"}).status_code == 404
    for row in office.get(DELIVERIES).json()["results"]:
        assert local.get(f"{DELIVERIES}{row['id']}/").status_code == 404
        assert local.post(f"{DELIVERIES}{row['id']}/resend/", {}).status_code == 404
    assert code(local.post(ENDPOINTS, body(receiver))) == (403, "core.forbidden")
    assert local.post(ENDPOINTS, body(receiver, branch=str(mill.id))).status_code == 404
    assert local.post(ENDPOINTS, body(receiver, branch=str(quay.id))).status_code == 201


def test_nobody_lets_an_address_hear_what_they_may_not_read(receiver, head_office, mill):
    narrow = actor_for(head_office, ["integrations:write", "integrations:read", "billing:read"])
    for branch in (mill, None):
        with pytest.raises(Forbidden):
            services.endpoint_add(actor=narrow, url=receiver.url, event_types=["prescriptions.recorded"], branch=branch)
        made = services.endpoint_add(actor=narrow, url=receiver.url, event_types=[PAID], branch=branch).endpoint
        narrower = actor_for(head_office, ["integrations:write", "integrations:read"])
        with pytest.raises(Forbidden):
            services.endpoint_change(actor=narrower, endpoint=made, version=1, changes={"url": receiver.url})
        assert services.endpoint_change(actor=narrower, endpoint=made, version=1, changes={"description": "x"})
