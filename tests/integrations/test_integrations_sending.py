"""Sending, against a receiver that answers, refuses, redirects, dawdles and hangs up."""

from __future__ import annotations

import datetime as dt
import json
import socket
import threading
import time
from email.utils import format_datetime

import pytest
from django.db import connection
from standardwebhooks import Webhook, WebhookVerificationError

from opticshop.core import clock
from opticshop.core.duties import run_duty
from opticshop.core.models import OutboxEvent
from opticshop.integrations import addresses, posting, sending, services
from opticshop.integrations.models import WebhookAttempt, WebhookDelivery, WebhookEndpoint
from opticshop.integrations.posting import Answer

from .receiving import PAID, SYSTEM, delivery_of, happen, later, say, send_later

pytestmark = pytest.mark.django_db
HOUR = 3600


def states(*events):
    return [delivery_of(event).state for event in events]


def endpoint_now():
    return WebhookEndpoint.objects.everywhere("test").get()


def test_an_event_is_sent_signed_once_and_recorded(add, receiver, mill):
    made = add(mill)
    event = happen(mill, amount="12.50")
    assert run_duty("integrations.send_webhooks") == 1
    assert run_duty("integrations.send_webhooks") == 0
    [(headers, body)] = receiver.heard
    assert headers["webhook-id"] == str(event.id)
    assert headers["content-type"] == "application/json"
    assert receiver.verified(made.secret) == [json.loads(body)]
    assert json.loads(body) == {
        "type": PAID,
        "timestamp": event.created_at.isoformat().replace("+00:00", "Z"),
        "sequence": 2,  # the first was the adding of the endpoint
        "branch": "MILL",
        "subject": "payments/1",
        "data": {"payment": "1", "amount": "12.50"},
    }
    delivery, attempt = delivery_of(event), WebhookAttempt.objects.get()
    assert (delivery.state, attempt.number, attempt.status, attempt.error) == ("delivered", 1, 200, "")
    assert attempt.finished_at is not None
    assert attempt.duration_ms is not None


def test_the_cloudevents_format_is_what_pollers_read(add, receiver, api, head_office, mill):
    add(mill, format="cloudevents")
    event = happen(mill)
    sending.send_due()
    [(headers, body)] = receiver.heard
    assert headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    assert json.loads(body) == api(head_office).get(f"/api/v1/events/{event.id}/").json()


def test_one_changed_byte_fails(add, receiver, mill):
    made = add(mill)
    happen(mill)
    sending.send_due()
    [(headers, body)] = receiver.heard
    for place in range(0, len(body), 7):
        with pytest.raises(WebhookVerificationError):
            Webhook(made.secret).verify(body[:place] + bytes([body[place] ^ 1]) + body[place + 1 :], headers)


def test_a_retry_keeps_the_id_and_signs_anew(add, receiver, mill):
    made, event = add(mill), happen(mill)
    receiver.answers = [500, 200]
    assert sending.send_due() == 1
    assert sending.send_due() == 0, "it waits its pause"
    assert states(event) == ["pending"]
    assert send_later(10) == 1
    assert states(event) == ["delivered"]
    (first, _), (second, _) = receiver.heard
    assert first["webhook-id"] == second["webhook-id"] == str(event.id)
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 10
    assert first["webhook-signature"] != second["webhook-signature"]
    assert len(receiver.verified(made.secret)) == 2
    statuses = WebhookAttempt.objects.order_by("number").values_list("number", "status")
    assert list(statuses) == [(1, 500), (2, 200)]


def test_a_failing_event_holds_up_the_later_ones_and_they_follow_in_order(add, receiver, mill):
    add(mill)
    events = [happen(mill) for _ in range(4)]
    receiver.answers = [500, 503, 200]
    sending.send_due()
    assert states(*events) == ["pending"] * 4
    send_later(10)
    send_later(100)
    assert states(*events) == ["delivered"] * 4
    wanted = [str(event.id) for event in events]
    assert receiver.ids == [wanted[0], wanted[0], *wanted]
    assert receiver.most_at_once == 1


def test_one_that_never_succeeds_dies_visibly_and_the_next_has_its_turn(add, receiver, mill, api, head_office):
    add(mill)
    hopeless, fine = happen(mill), happen(mill)
    receiver.answers = [500] * sending.MAX_TRIES + [200]
    for number in range(sending.MAX_TRIES):
        send_later(8 * HOUR * number)
    assert states(hopeless, fine) == ["dead", "delivered"]
    assert receiver.ids == [str(hopeless.id)] * sending.MAX_TRIES + [str(fine.id)]
    dead = api(head_office).get("/api/v1/webhook-deliveries/", {"state": "dead"}).json()["results"]
    assert [row["event"] for row in dead] == [str(hopeless.id)]
    assert [attempt["status"] for attempt in dead[0]["attempts"]] == [500] * sending.MAX_TRIES
    assert OutboxEvent.objects.filter(type="integrations.delivery_died").count() == 1
    again = api(head_office).post(f"/api/v1/webhook-deliveries/{dead[0]['id']}/resend/", {})
    assert again.status_code == 200, again.json()
    assert again.json()["state"] == "pending"
    send_later(200 * HOUR)
    assert states(hopeless) == ["delivered"]


def test_an_attempt_that_died_with_its_process_is_made_again_after_its_lease(add, receiver, mill):
    add(mill)
    event = happen(mill)
    endpoint = endpoint_now()
    assert sending.claim(endpoint.id) is not None
    assert sending.claim(endpoint.id) is None
    assert sending.send_due() == 0
    assert send_later(121) == 1
    assert states(event) == ["delivered"]
    assert list(WebhookAttempt.objects.order_by("number").values_list("number", "status")) == [(1, None), (2, 200)]


def test_an_outcome_that_cannot_be_written_holds_up_nobody_else(add, receiver, mill, quay, monkeypatch):
    add(mill)
    add(quay)
    ours, theirs = happen(mill), happen(quay)
    written, lost = sending.settle, delivery_of(ours).endpoint_id

    def settle(claimed, answer):
        if claimed.endpoint_id == lost:
            raise RuntimeError("the database was away")
        written(claimed, answer)

    monkeypatch.setattr(sending, "settle", settle)
    assert sending.send_due() == 2
    assert states(ours, theirs) == ["pending", "delivered"]
    monkeypatch.setattr(sending, "settle", written)
    assert send_later(121) == 1
    assert states(ours) == ["delivered"]
    assert receiver.ids.count(str(ours.id)) == 2, "at least once"


def test_an_answer_that_comes_after_the_lease_decides_nothing(add, receiver, mill):
    add(mill)
    event = happen(mill)
    slow = sending.claim(endpoint_now().id)
    with later(121):
        quick = sending.claim(endpoint_now().id)
        sending.settle(slow, Answer(status=500))
        assert endpoint_now().lease == quick.attempt_id
        sending.settle(quick, Answer(status=200))
    assert states(event) == ["delivered"]


def test_a_delivery_that_kills_its_process_every_time_dies_in_the_end(add, receiver, mill):
    add(mill)
    event = happen(mill)
    for number in range(sending.MAX_TRIES + 1):
        with later(121 * number):
            sending.claim(endpoint_now().id)
    assert states(event) == ["dead"]


def test_410_ends_it_until_somebody_resumes(add, receiver, mill):
    add(mill)
    event = happen(mill)
    receiver.answers = [410, 200]
    sending.send_due()
    assert endpoint_now().state == "gone"
    unheard = happen(mill)
    assert send_later(100 * HOUR) == 0
    services.endpoint_resume(actor=SYSTEM, endpoint=endpoint_now())
    assert sending.send_due() == 1
    assert states(event) == ["delivered"]
    assert not WebhookDelivery.objects.everywhere("test").filter(entry__event=unheard).exists()
    services.deliveries_replay(actor=SYSTEM, endpoint=endpoint_now(), after=str(event.id))
    assert sending.send_due() == 1
    assert states(unheard) == ["delivered"]


@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_is_honoured_in_seconds_and_as_a_date(status):
    now = clock.now().replace(microsecond=0)
    wish = now + dt.timedelta(hours=2)
    assert sending.pause(1, Answer(status=status, retry_after="7200"), now) == dt.timedelta(hours=2)
    dated = Answer(status=status, retry_after=format_datetime(wish, usegmt=True))
    assert sending.pause(1, dated, now) == dt.timedelta(hours=2)
    forever = Answer(status=status, retry_after="9" * 40)
    assert sending.pause(1, forever, now) == dt.timedelta(days=1)
    for nonsense in ("", "soon", "-5", "٣", "Mon, 99 Foo 2026 99:99:99 GMT", "1e9"):
        assert sending.pause(1, Answer(status=status, retry_after=nonsense), now) < dt.timedelta(seconds=7)
    assert sending.pause(1, Answer(status=500, retry_after="7200"), now) < dt.timedelta(seconds=7)


def test_retry_after_is_read_from_the_wire(add, receiver, mill):
    add(mill)
    happen(mill)
    receiver.answers = [lambda handler: say(handler, 503, Retry_After="3600"), 200]
    sending.send_due()
    assert endpoint_now().held_until == clock.now() + dt.timedelta(hours=1)


def test_pauses_grow_threefold_and_are_shaken():
    now = clock.now()
    for tries in range(1, sending.MAX_TRIES):
        middle = min(5 * 3 ** (tries - 1), 6 * HOUR)
        pauses = {sending.pause(tries, Answer(status=500), now).total_seconds() for _ in range(20)}
        assert len(pauses) > 1
        assert all(0.75 * middle <= seconds <= 1.25 * middle for seconds in pauses)


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_no_redirect_is_followed(add, receiver, mill, status):
    add(mill)
    event = happen(mill)
    receiver.answers = [lambda handler: say(handler, status, Location=receiver.url), 200]
    sending.send_due()
    assert len(receiver.heard) == 1
    assert states(event) == ["pending"]


def hang_up(handler):
    handler.connection.shutdown(socket.SHUT_RDWR)


def dawdle(handler):
    time.sleep(1)
    hang_up(handler)


def drip_head(handler):
    """A byte now and then, for ever: no single wait is long."""
    handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-Long: ")
    for _ in range(200):
        time.sleep(0.05)
        handler.wfile.write(b"a")


def nonsense(handler):
    handler.wfile.write(b"\x00\xff not HTTP\r\n\r\n")


@pytest.mark.parametrize("answer", [hang_up, dawdle, drip_head, nonsense])
def test_a_receiver_that_does_not_answer_is_a_failed_attempt(add, receiver, mill, monkeypatch, answer):
    monkeypatch.setattr(posting, "READ_SECONDS", 0.4)
    monkeypatch.setattr(posting, "WHOLE_SECONDS", 0.8)
    add(mill)
    event = happen(mill)
    receiver.answers = [answer, 200]
    began = time.monotonic()
    sending.send_due()
    assert time.monotonic() - began < 5  # the dripping alone takes ten
    attempt = WebhookAttempt.objects.get()
    assert (attempt.status, states(event)) == (None, ["pending"])
    assert attempt.error
    assert "\0" not in attempt.error
    send_later(10)
    assert states(event) == ["delivered"]


def test_nobody_listening_is_a_failed_attempt(add, receiver, mill):
    add(mill)
    happen(mill)
    receiver.server.shutdown()
    receiver.server.server_close()
    sending.send_due()
    assert "ConnectionRefusedError" in WebhookAttempt.objects.get().error


def test_a_long_answer_is_cut_and_what_a_database_cannot_hold_replaced(add, receiver, mill):
    add(mill)
    event = happen(mill)
    receiver.answers = [lambda handler: say(handler, 200, b"a\x00\xff\xf0" + b"b" * 1_000_000)]
    sending.send_due()
    kept = WebhookAttempt.objects.get().response
    assert len(kept) <= posting.MOST_READ
    assert kept.startswith("a\ufffd\ufffd")
    assert states(event) == ["delivered"]


def test_a_slow_endpoint_does_not_hold_up_another(add, receiver, mill, quay):
    """The slow one answers only when the other has heard everything."""
    add(mill)
    add(quay)
    slow = happen(mill)
    others = [happen(quay) for _ in range(5)]
    heard, all_heard, waited = [], threading.Event(), []

    def answer(handler):
        if handler.headers["webhook-id"] == str(slow.id):
            waited.append(all_heard.wait(4))
            hang_up(handler)
            return
        heard.append(handler.headers["webhook-id"])
        if len(heard) == len(others):
            all_heard.set()
        say(handler, 200)

    receiver.answers = [answer]
    assert sending.send_due() == 6
    assert waited == [True]
    assert states(slow, *others) == ["pending", *["delivered"] * 5]


def test_a_branch_never_hears_of_its_twin_nor_of_the_group(add, receiver, mill, quay):
    add(mill, event_types=[PAID, "catalogue.frame_added"])
    happen(quay)
    happen(None, "catalogue.frame_added")
    ours = happen(mill)
    happen(mill, "orders.placed")
    sending.send_due()
    assert receiver.ids == [str(ours.id)]


def test_an_endpoint_of_the_group_hears_of_every_branch(add, receiver, mill, quay):
    add(None, event_types=[PAID, "catalogue.frame_added"])
    events = [happen(mill), happen(quay), happen(None, "catalogue.frame_added")]
    sending.send_due()
    assert receiver.ids == [str(event.id) for event in events]


def test_while_paused_nothing_is_sent_and_nothing_lost(add, receiver, mill):
    made = add(mill)
    before = happen(mill)
    services.endpoint_pause(actor=SYSTEM, endpoint=made.endpoint)
    during = happen(mill)
    assert send_later(HOUR) == 0
    services.endpoint_resume(actor=SYSTEM, endpoint=made.endpoint)
    assert sending.send_due() == 2
    assert receiver.ids == [str(before.id), str(during.id)]


def test_what_was_not_sent_is_withdrawn_from_a_retired_endpoint(add, receiver, mill):
    made = add(mill)
    before = happen(mill)
    services.endpoint_retire(actor=SYSTEM, endpoint=made.endpoint)
    after = happen(mill)
    assert send_later(HOUR) == 0
    assert states(before) == ["withdrawn"]
    assert not WebhookDelivery.objects.everywhere("test").filter(entry__event=after).exists()


def test_replay_from_a_point_sends_again_in_order_with_the_same_ids(add, receiver, mill, quay):
    made = add(mill)
    events = [happen(mill) for _ in range(4)]
    happen(quay)
    sending.send_due()
    receiver.heard.clear()
    assert services.deliveries_replay(actor=SYSTEM, endpoint=made.endpoint, after=str(events[1].id)) == 2
    sending.send_due()
    assert receiver.ids == [str(event.id) for event in events[2:]]
    assert len(receiver.verified(made.secret)) == 2
    assert delivery_of(events[3]).attempt_count == 2


def test_replay_reaches_back_before_the_endpoint_was_there(add, receiver, mill):
    earlier = happen(mill)
    made = add(mill)
    later_one = happen(mill)
    services.deliveries_replay(actor=SYSTEM, endpoint=made.endpoint, after="0")
    sending.send_due()
    assert receiver.ids == [str(earlier.id), str(later_one.id)]


@pytest.mark.parametrize("move", ["endpoint_pause", "endpoint_retire"])
def test_nothing_is_replayed_to_an_endpoint_that_is_not_active(add, receiver, mill, move):
    made, event = add(mill), happen(mill)
    sending.send_due()
    getattr(services, move)(actor=SYSTEM, endpoint=made.endpoint)
    with pytest.raises((services.EndpointNotActive, services.EndpointRetired)):
        services.deliveries_replay(actor=SYSTEM, endpoint=made.endpoint, after="0")
    with pytest.raises((services.EndpointNotActive, services.EndpointRetired)):
        services.delivery_resend(actor=SYSTEM, delivery=delivery_of(event))
    assert states(event) == ["delivered"]


def test_a_replay_is_bounded_and_refused_whole(add, receiver, mill, monkeypatch):
    made = add(mill)
    for _ in range(3):
        happen(mill)
    sending.send_due()
    monkeypatch.setattr(services, "REPLAY_AT_MOST", 2)
    with pytest.raises(services.ReplayTooLong):
        services.deliveries_replay(actor=SYSTEM, endpoint=made.endpoint, after="0")
    assert not WebhookDelivery.objects.everywhere("test").filter(state="pending").exists()
    assert services.deliveries_replay(actor=SYSTEM, endpoint=made.endpoint, after="2") == 2


def test_after_a_rotation_both_secrets_sign_until_the_overlap_ends(add, receiver, mill):
    made = add(mill)
    rotated = services.secret_rotate(actor=SYSTEM, endpoint=made.endpoint, overlap_hours=24)
    assert rotated.secret != made.secret
    happen(mill)
    sending.send_due()
    [(headers, _)] = receiver.heard
    assert len(headers["webhook-signature"].split()) == 2
    assert receiver.verified(made.secret) == receiver.verified(rotated.secret)
    receiver.heard.clear()
    happen(mill)
    with later(24 * HOUR):
        sending.send_due()
    [(headers, body)] = receiver.heard
    at_that_time = int(headers["webhook-timestamp"])
    expected = Webhook(rotated.secret).sign(
        headers["webhook-id"], dt.datetime.fromtimestamp(at_that_time, dt.UTC), body.decode()
    )
    assert headers["webhook-signature"] == expected


def test_without_overlap_the_old_secret_ends_at_once(add, receiver, mill):
    made = add(mill)
    rotated = services.secret_rotate(actor=SYSTEM, endpoint=made.endpoint, overlap_hours=0)
    happen(mill)
    sending.send_due()
    assert receiver.verified(rotated.secret)
    with pytest.raises(WebhookVerificationError):
        receiver.verified(made.secret)


def test_a_secret_that_cannot_be_read_is_a_failed_attempt(add, receiver, mill, settings):
    add(mill)
    happen(mill)
    settings.SECRET_KEY = "another-key-for-tests-only-and-nothing-else"
    sending.send_due()
    assert "SECRET_KEY" in WebhookAttempt.objects.get().error
    assert not receiver.heard


def test_a_name_that_changes_its_mind_is_refused_at_the_sending(add, receiver, mill, settings, monkeypatch):
    """DNS rebinding: public when it was entered, this machine when it is sent to."""
    settings.OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = False
    monkeypatch.setattr(addresses, "resolved", lambda host, port: ["1.1.1.1"])
    add(mill, url="https://books.example.org/hooks")
    happen(mill)
    monkeypatch.setattr(addresses, "resolved", lambda host, port: ["127.0.0.1"])
    sending.send_due()
    assert "not public" in WebhookAttempt.objects.get().error
    assert endpoint_now().held_until > clock.now()


def test_the_address_that_was_judged_is_the_one_connected_to(add, receiver, mill, monkeypatch):
    """The name exists in no real resolver: were it asked a second time, nothing would arrive."""
    asked = []

    def resolved(host, port):
        asked.append(host)
        return ["127.0.0.1"]

    monkeypatch.setattr(addresses, "resolved", resolved)
    port = receiver.server.server_address[1]
    add(mill, url=f"http://books.invalid:{port}/hooks")
    happen(mill)
    sending.send_due()
    [(headers, _)] = receiver.heard
    assert headers["host"] == f"books.invalid:{port}"
    assert asked == ["books.invalid"] * 2, "once when it was entered, once when it was sent to"


def test_events_are_written_by_whoever_acts_and_never_hold_the_address(add, receiver, mill, manager):
    made = add(mill)
    services.secret_rotate(actor=SYSTEM, endpoint=made.endpoint)
    services.endpoint_pause(actor=SYSTEM, endpoint=made.endpoint)
    told = OutboxEvent.objects.filter(type__startswith="integrations.").order_by("id")
    assert [event.type for event in told] == [
        "integrations.endpoint_added",
        "integrations.secret_rotated",
        "integrations.endpoint_state_changed",
    ]
    assert "127.0.0.1" not in json.dumps([event.data for event in told])
    assert "whsec_" not in json.dumps([event.data for event in told])


@pytest.mark.django_db(transaction=True)
@pytest.mark.postgresql
def test_many_duties_at_once_send_everything_once_and_in_order(add, receiver, mill, quay):
    if connection.vendor != "postgresql":
        pytest.skip("parallel workers are tried on PostgreSQL")
    from concurrent.futures import ThreadPoolExecutor

    from django.db import connections

    add(mill)
    add(quay)
    ours, theirs = [happen(mill) for _ in range(15)], [happen(quay) for _ in range(15)]

    def run():
        try:
            return sending.send_due()
        finally:
            connections.close_all()

    with ThreadPoolExecutor(6) as pool:
        made = sum(future.result(60) for future in [pool.submit(run) for _ in range(6)])
    made += send_later(60)
    assert made == 30
    assert [each for each in receiver.ids if each in {str(event.id) for event in ours}] == [str(e.id) for e in ours]
    assert [each for each in receiver.ids if each in {str(event.id) for event in theirs}] == [str(e.id) for e in theirs]
    assert receiver.most_at_once <= 2
