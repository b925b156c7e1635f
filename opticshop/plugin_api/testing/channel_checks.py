"""Checks of one channel. Only those whose name ends in ": send" reach out into the world."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import get_args

from ..channels import AddressKind, ChannelKind, MessageChannel, MessageForm, OutboundMessage, SendOutcome, SendState
from ..errors import Refusal
from ..types import Settings
from . import samples
from .failure import require

_STRANGERS: tuple[tuple[Mapping[str, str], bytes], ...] = (
    ({}, b""),
    ({}, b"{}"),
    ({"Content-Type": "application/json"}, b'{"type": "message.delivered", "data": {"reference": "message-1"}}'),
    ({"webhook-id": "1", "webhook-timestamp": "1", "webhook-signature": "v1,AAAA"}, b"{}"),
    ({"Authorization": "Bearer nobody", "X-Signature": "\u00e9"}, b"\xff\x00"),
)
"""Calls that nobody signed."""


def checks(
    channel: MessageChannel, settings: Callable[[], Settings], secrets: frozenset[str]
) -> Iterator[tuple[str, Callable[[], None]]]:
    """`secrets` names the settings that are write-only."""
    yield f"channel {channel.name}: describes itself", lambda: _describes_itself(channel, settings())
    yield f"channel {channel.name}: send", lambda: _sends_once(channel, settings(), secrets)
    yield f"channel {channel.name}: compose", lambda: _composes(channel, settings())
    yield f"channel {channel.name}: calls of strangers", lambda: _believes_no_stranger(channel, settings())


def _describes_itself(channel: MessageChannel, settings: Settings) -> None:
    require(channel.kind in get_args(ChannelKind), f"{channel.name}: {channel.kind!r} is no kind of channel")
    known = channel.needs is None or channel.needs in get_args(AddressKind)
    require(known, f"{channel.name}: {channel.needs!r} is no kind of address")
    require(isinstance(channel.batches, bool), f"{channel.name}: batches is True or False")
    require(isinstance(channel.carries_files, bool), f"{channel.name}: carries_files is True or False")
    form = channel.form(settings)
    require(form in get_args(MessageForm), f"{channel.name}: {form!r} is no form of a message")
    posted = channel.kind == "letter"
    require(not posted or form in ("letter", "postcard"), f"{channel.name}: post is a letter or a postcard, not {form}")
    require(channel.form(settings) == form, f"{channel.name}: the same settings, another form")


def _message(channel: MessageChannel, settings: Settings) -> OutboundMessage:
    return samples.message(channel.needs, form=channel.form(settings))


def _sends_once(channel: MessageChannel, settings: Settings, secrets: frozenset[str]) -> None:
    message = _message(channel, settings)
    first = _sent(channel, message, settings)
    second = _sent(channel, message, settings)
    third = _sent(channel, replace(message, body="Another text."), settings)
    for again in (second, third):
        require(
            again == first or first.state == "retry",
            f"{channel.name}: sending the same message id again gave {again}, first {first}",
        )
    if channel.needs is not None:
        nowhere = _sent(channel, replace(message, id="message-2", to=""), settings)
        require(nowhere.state != "sent", f"{channel.name}: says that it sent a message without an address")
    for secret in secrets:
        value = settings.get(secret)
        shown = isinstance(value, str) and len(value) > 3 and value in f"{first.detail} {first.provider_reference}"
        require(not shown, f"{channel.name}: the outcome shows the setting {secret}")


def _sent(channel: MessageChannel, message: OutboundMessage, settings: Settings) -> SendOutcome:
    outcome = channel.send(message, settings)
    require(isinstance(outcome, SendOutcome), f"{channel.name}: send returns a SendOutcome")
    require(outcome.state in get_args(SendState), f"{channel.name}: {outcome.state!r} is not a state")
    return outcome


def _composes(channel: MessageChannel, settings: Settings) -> None:
    one = _message(channel, settings)
    batch = [replace(one, id=f"message-{number}", recipient_name=f"Person {number}") for number in (1, 2, 3)]
    if not channel.batches:
        require(_refuses_to_compose(channel, batch, settings), f"{channel.name}: composes, but does not say it batches")
        return
    document = channel.compose(batch, settings)
    require(isinstance(document, bytes), f"{channel.name}: compose returns bytes")
    require(document.startswith(b"%PDF-"), f"{channel.name}: compose returns a PDF")
    require(channel.compose(tuple(batch), settings) == document, f"{channel.name}: the same messages gave other bytes")
    require(channel.compose(batch[:2], settings) != document, f"{channel.name}: fewer messages gave the same bytes")
    require(_refuses_to_compose(channel, [], settings), f"{channel.name}: composes a batch of nothing")
    if channel.needs is not None:
        nowhere = [batch[0], replace(batch[1], to="")]
        require(_refuses_to_compose(channel, nowhere, settings), f"{channel.name}: prints a message without an address")
    if channel.form(settings) == "postcard":
        open_ = [replace(batch[0], form="letter")]
        require(_refuses_to_compose(channel, open_, settings), f"{channel.name}: prints a letter on a postcard")


def _refuses_to_compose(channel: MessageChannel, messages: Sequence[OutboundMessage], settings: Settings) -> bool:
    try:
        channel.compose(messages, settings)
    except Refusal as refusal:
        return bool(refusal.code.strip() and refusal.message.strip())
    return False


def _believes_no_stranger(channel: MessageChannel, settings: Settings) -> None:
    for headers, body in _STRANGERS:
        try:
            said = channel.read_callback(headers, body, settings)
        except Refusal as refusal:
            require(bool(refusal.code.strip()), f"{channel.name}: a refusal has a code")
        else:
            require(False, f"{channel.name}: believes a call that nobody signed: {said}")
