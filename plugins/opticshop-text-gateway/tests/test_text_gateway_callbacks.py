"""The gateway's own calls: only what it signed is believed. Signatures are made by the library `standardwebhooks`."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from opticshop_text_gateway import TextGateway, signing
from standardwebhooks import Webhook

from opticshop.plugin_api import DeliveryReport, IncomingReply, Refusal

# The worked example of Standard Webhooks: secret, id, time, body and signature as its libraries test them.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
OTHER = "whsec_" + "B" * 44
SETTINGS = {"callback_secret": SECRET}
CHANNEL = TextGateway()
MESSAGE_ID = "01890a5d-ac96-774b-bcce-b302099a8057"
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def call(kind: str, **data: Any) -> bytes:
    return json.dumps({"type": kind, "timestamp": "2026-03-02T12:00:00Z", "data": data}).encode()


def signed(body: bytes, *, secret: str = SECRET, age: float = 0, call_id: str = "msg_1") -> dict[str, str]:
    moment = datetime.now(UTC) - timedelta(seconds=age)
    return {
        "Webhook-Id": call_id,
        "WEBHOOK-TIMESTAMP": str(int(moment.timestamp())),
        "webhook-signature": Webhook(secret).sign(call_id, moment, body.decode()),
    }


DELIVERED = call("message.delivered", reference=MESSAGE_ID, id="g-17")


def test_the_worked_example_of_the_standard_holds() -> None:
    body = b'{"test": 2432232314}'
    expected = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    assert signing.signature(SECRET, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, body) == expected


def test_a_delivery_report_names_its_message() -> None:
    [report] = CHANNEL.read_callback(signed(DELIVERED), DELIVERED, SETTINGS)
    assert report == DeliveryReport(
        id="msg_1", message_id=MESSAGE_ID, provider_reference="g-17", state="delivered", at=AT
    )
    body = call("message.undelivered", id="g-17", detail="not in use")
    [report] = CHANNEL.read_callback(signed(body), body, SETTINGS)
    assert isinstance(report, DeliveryReport)
    assert (report.state, report.message_id, report.detail) == ("undelivered", None, "not in use")


def test_a_reply_is_handed_on_with_what_it_answers() -> None:
    body = call("message.replied", **{"from": "+442079460018", "text": "STOP 👓", "reference": MESSAGE_ID})
    [reply] = CHANNEL.read_callback(signed(body, call_id="msg_2"), body, SETTINGS)
    assert reply == IncomingReply(
        id="msg_2", message_id=MESSAGE_ID, sender="+442079460018", text="STOP 👓", received_at=AT
    )
    body = call("message.replied", **{"from": "+442079460018", "text": ""})
    [reply] = CHANNEL.read_callback(signed(body), body, SETTINGS)
    assert (reply.message_id, reply.provider_reference) == (None, None)


def test_several_signatures_are_looked_at_and_unknown_kinds_of_them_are_passed_over() -> None:
    headers = signed(DELIVERED)
    mine, other = headers["webhook-signature"], signed(DELIVERED, secret=OTHER)["webhook-signature"]
    headers["webhook-signature"] = f"v1a,{mine[3:]} {other} {mine} v2,x"
    assert CHANNEL.read_callback(headers, DELIVERED, SETTINGS)
    headers["webhook-signature"] = f"v1a,{mine[3:]} {other} ünsigned"
    with pytest.raises(Refusal, match="does not hold"):
        CHANNEL.read_callback(headers, DELIVERED, SETTINGS)


@pytest.mark.parametrize("age", [298, -297])
def test_a_call_of_almost_five_minutes_is_taken(age: int) -> None:
    assert CHANNEL.read_callback(signed(DELIVERED, age=age), DELIVERED, SETTINGS)


@pytest.mark.parametrize("age", [302, -303, 10**6])
def test_an_old_call_or_one_from_the_future_is_refused(age: int) -> None:
    with pytest.raises(Refusal, match="too old, or from the future") as caught:
        CHANNEL.read_callback(signed(DELIVERED, age=age), DELIVERED, SETTINGS)
    assert caught.value.code == "opticshop-text-gateway.not-signed"


def test_what_was_changed_on_the_way_is_refused() -> None:
    headers = signed(DELIVERED)
    flipped = [DELIVERED[:n] + bytes([DELIVERED[n] ^ 1]) + DELIVERED[n + 1 :] for n in range(len(DELIVERED))]
    for body in (*flipped, b"", DELIVERED + b" "):
        with pytest.raises(Refusal, match="does not hold"):
            CHANNEL.read_callback(headers, body, SETTINGS)
    with pytest.raises(Refusal, match="does not hold"):
        CHANNEL.read_callback({**headers, "Webhook-Id": "msg_2"}, DELIVERED, SETTINGS)
    with pytest.raises(Refusal, match="does not hold"):
        CHANNEL.read_callback(signed(DELIVERED, secret=OTHER), DELIVERED, SETTINGS)


@pytest.mark.parametrize("name", ["Webhook-Id", "WEBHOOK-TIMESTAMP", "webhook-signature"])
@pytest.mark.parametrize("value", [None, "", "x", "٣", "1e3", "-1", "9" * 40])
def test_a_call_without_each_of_its_headers_is_refused(name: str, value: str | None) -> None:
    headers = signed(DELIVERED)
    del headers[name]
    if value is not None:
        headers[name] = value
    with pytest.raises(Refusal):
        CHANNEL.read_callback(headers, DELIVERED, SETTINGS)


@pytest.mark.parametrize("secret", ["", "whsec_", "whsec_!!!", "whsec_c2hvcnQ="])
def test_without_a_proper_secret_nothing_is_believed(secret: str) -> None:
    with pytest.raises(Refusal):
        CHANNEL.read_callback(signed(DELIVERED), DELIVERED, {"callback_secret": secret})


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"not json",
        b"[]",
        b"[" * 50_000,
        b'{"type": "message.delivered"}',
        call("message.delivered"),
        call("message.delivered", reference=5),
        call("message.replied", text="STOP"),
        call("message.replied", **{"from": "+442079460018"}),
        call("message.delivered", id="g-1").replace(b"12:00:00Z", b"12:00:00"),
        call("message.delivered", id="g-1").replace(b"2026", b"soon"),
    ],
    ids=range(11),
)
def test_what_is_signed_but_cannot_be_read_is_refused_as_such(body: bytes) -> None:
    with pytest.raises(Refusal) as caught:
        CHANNEL.read_callback(signed(body), body, SETTINGS)
    assert caught.value.code == "opticshop-text-gateway.unreadable"


def test_a_kind_of_call_that_is_not_known_yet_is_taken_and_says_nothing() -> None:
    body = call("message.priced", amount="0.04")
    assert CHANNEL.read_callback(signed(body), body, SETTINGS) == ()
