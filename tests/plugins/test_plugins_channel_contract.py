"""The contract of channels: the facts they give, what they do by default, and the channels that the suite catches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import count
from typing import Any

import pytest

from opticshop import plugin_api as api
from opticshop.plugin_api.testing import conformance_checks, samples

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
REPORT = {"id": "r-1", "message_id": "m-1", "state": "delivered", "at": NOON}
REPLY = {"id": "r-1", "sender": "+442079460018", "text": "STOP", "received_at": NOON}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"id": ""}, "id"),
        ({"message_id": None}, "message_id"),
        ({"message_id": "", "provider_reference": ""}, "message_id"),
        ({"state": "sent"}, "state"),
        ({"at": NOON.replace(tzinfo=None)}, "at"),
    ],
)
def test_a_delivery_report_names_its_message_its_state_and_an_instant(change: dict[str, Any], field: str) -> None:
    with pytest.raises(api.InvalidFacts) as caught:
        api.DeliveryReport(**{**REPORT, **change})
    assert caught.value.field == field
    assert api.DeliveryReport(**{**REPORT, "message_id": None, "provider_reference": "p-1"}).detail == ""


@pytest.mark.parametrize(
    ("change", "field"), [({"id": ""}, "id"), ({"received_at": NOON.replace(tzinfo=None)}, "received_at")]
)
def test_a_reply_has_an_id_and_an_instant_and_may_answer_nothing_known(change: dict[str, Any], field: str) -> None:
    with pytest.raises(api.InvalidFacts) as caught:
        api.IncomingReply(**{**REPLY, **change})
    assert caught.value.field == field
    assert api.IncomingReply(**REPLY).to_dict()["received_at"] == "2026-03-02T12:00:00+00:00"


class Plain(api.MessageChannel):
    name, title, kind, needs = "plain", "Plain", "text", "phone"

    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return api.SendOutcome(state="sent" if message.to else "refused", provider_reference=message.id)


class Printer(Plain):
    """A letter channel that keeps the contract."""

    name, title, kind, needs, batches = "printer", "Printer", "letter", "postal", True

    def compose(self, messages: Sequence[api.OutboundMessage], settings: api.Settings) -> bytes:
        if not messages or not all(one.to for one in messages):
            raise api.Refusal("printer.nothing", "There is nothing to print, or no address.")
        return b"%PDF-1.7 " + repr(messages if isinstance(messages, tuple) else tuple(messages)).encode()


class PluginOf:
    manifest = api.PluginManifest(
        name="channels",
        title="Channels",
        version="1.0",
        api=">=1.1,<2",
        description="For tests.",
        settings_schema={"type": "object", "properties": {"token": {"type": "string", "writeOnly": True}}},
        default_settings={"token": "t0ken"},
    )

    def __init__(self, channel: api.MessageChannel) -> None:
        self.channel = channel

    @api.hookimpl
    def register_channels(self) -> Sequence[api.MessageChannel]:
        return (self.channel,)


def failures(channel: api.MessageChannel) -> set[str]:
    found = set()
    for check in conformance_checks(PluginOf(channel)):
        try:
            check.run()
        except AssertionError:
            found.add(check.name.removeprefix(f"channel {channel.name}: "))
    return found


def test_what_a_channel_does_by_default() -> None:
    plain, message = Plain(), samples.message("phone")
    assert (plain.batches, plain.form({}), Printer().form({})) == (False, "short", "letter")
    with pytest.raises(api.Refusal) as caught:
        plain.compose([message], {})
    assert caught.value.code == "plain.no-batches"
    with pytest.raises(api.Refusal) as caught:
        plain.read_callback({}, b"", {})
    assert caught.value.code == "plain.no-callbacks"
    assert failures(plain) == failures(Printer()) == set()


def test_a_message_made_for_the_earlier_contract_still_is_one() -> None:
    message = api.OutboundMessage(
        id="m-1", to="", subject="", body="", language="en", purpose="service", branch_name="North (invented)"
    )
    assert (message.form, message.unsubscribe_url, message.reply_to, message.recipient_name) == ("long", "", "", "")


class Forgetful(Plain):
    calls = count()

    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return replace(super().send(message, settings), provider_reference=str(next(self.calls)))


class ByText(Plain):
    """Takes the text for the key."""

    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return replace(super().send(message, settings), detail=message.body)


class Nowhere(Plain):
    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return api.SendOutcome(state="sent")


class Talkative(Plain):
    def send(self, message: api.OutboundMessage, settings: api.Settings) -> api.SendOutcome:
        return replace(super().send(message, settings), detail=f"sent with {settings['token']}")


class Believing(Plain):
    def read_callback(self, headers: Mapping[str, str], body: bytes, settings: api.Settings) -> Any:
        return ()


class Stamping(Printer):
    calls = count()

    def compose(self, messages: Sequence[api.OutboundMessage], settings: api.Settings) -> bytes:
        return super().compose(messages, settings) + str(next(self.calls)).encode()


class Scribbling(Printer):
    def compose(self, messages: Sequence[api.OutboundMessage], settings: api.Settings) -> bytes:
        return super().compose(messages, settings).removeprefix(b"%PDF-")


class Open(Printer):
    """Prints on a postcard whatever it is given."""

    def form(self, settings: api.Settings) -> api.MessageForm:
        return "postcard"


class Longish(Printer):
    def form(self, settings: api.Settings) -> api.MessageForm:
        return "long"


class Modest(Printer):
    batches = False


@pytest.mark.parametrize(
    ("channel", "check"),
    [
        (Forgetful, "send"),
        (ByText, "send"),
        (Nowhere, "send"),
        (Talkative, "send"),
        (Believing, "calls of strangers"),
        (Stamping, "compose"),
        (Scribbling, "compose"),
        (Open, "compose"),
        (Modest, "compose"),
        (Longish, "describes itself"),
    ],
)
def test_a_channel_that_breaks_the_contract_is_caught(channel: type[api.MessageChannel], check: str) -> None:
    assert failures(channel()) == {check}
