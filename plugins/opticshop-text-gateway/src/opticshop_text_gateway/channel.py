"""The channel."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Mapping, Sequence
from typing import Any

from opticshop.plugin_api import (
    DeliveryReport,
    IncomingReply,
    MessageChannel,
    OutboundMessage,
    Refusal,
    SendOutcome,
    Settings,
)

from . import signing
from .gateway import Gateway
from .posting import Answer, NoAnswer, NotWritten, post
from .reading import Unreadable, read

_E164 = re.compile(r"\+[1-9][0-9]{6,14}")
_HEADER = re.compile(r"[!-~]{1,200}")
_NOT_NOW = frozenset({402, 408, 425, 429})
_NOT_ADMITTED = frozenset({401, 403, 407})


class TextGateway(MessageChannel):
    """Hands each message to the gateway with its id as the idempotency key: the gateway is the one that remembers."""

    name = "text-gateway"
    title = "Text messages through a gateway"
    kind = "text"
    needs = "phone"

    def send(self, message: OutboundMessage, settings: Settings) -> SendOutcome:
        """`sent` with the gateway's id; what each of its answers means is the table in the README."""
        gateway = Gateway.of(settings)
        if not gateway.url or not gateway.sender:
            return SendOutcome(state="retry", detail="The gateway or the sender is not set up at this branch.")
        if not _E164.fullmatch(message.to):
            return SendOutcome(state="refused", detail="This is not a number in international form.")
        if not message.body.strip() or not _HEADER.fullmatch(message.id):
            return SendOutcome(state="refused", detail="The message has no text, or no usable id.")
        body = _request(message, gateway)
        try:
            headers = _headers(message, gateway, body)
            answer = post(
                gateway.url,
                headers,
                body,
                seconds=gateway.timeout_seconds,
                ca_certificate=gateway.ca_certificate,
            )
        except (NotWritten, signing.BadSecret) as error:
            return SendOutcome(state="retry", detail=str(error))
        except NoAnswer as error:
            return SendOutcome(state="unknown", detail=str(error))
        return _outcome(answer, message.id)

    def read_callback(
        self, headers: Mapping[str, str], body: bytes, settings: Settings
    ) -> Sequence[DeliveryReport | IncomingReply]:
        """A delivery report or a reply, signed as Standard Webhooks say, not older than five minutes."""
        gateway = Gateway.of(settings)
        if not gateway.callback_secret:
            raise Refusal("opticshop-text-gateway.no-secret", "No secret for calls of the gateway is set up.")
        try:
            call_id = signing.verified(gateway.callback_secret, headers, body, now=time.time())
        except (signing.NotSigned, signing.BadSecret) as error:
            raise Refusal("opticshop-text-gateway.not-signed", str(error)) from None
        try:
            return read(call_id, body)
        except Unreadable as error:
            raise Refusal("opticshop-text-gateway.unreadable", str(error)) from None


def _request(message: OutboundMessage, gateway: Gateway) -> bytes:
    fields = {"to": message.to, "from": gateway.sender, "text": message.body, "reference": message.id}
    if gateway.callback_url:
        fields["callback_url"] = gateway.callback_url
    return json.dumps(fields, sort_keys=True).encode("ascii")


def _headers(message: OutboundMessage, gateway: Gateway, body: bytes) -> dict[str, str]:
    headers = {
        "Content-Type": "application/json",
        "Accept": "application/json",
        "Idempotency-Key": message.id,
        "User-Agent": "opticshop-text-gateway",
    }
    if gateway.token:
        headers["Authorization"] = f"Bearer {gateway.token}"
    if gateway.signing_secret:
        headers |= signing.headers(gateway.signing_secret, message.id, int(time.time()), body)
    return headers


def _outcome(answer: Answer, message_id: str) -> SendOutcome:
    status, said = answer.status, _said(answer.body)
    reference = _reference(said)
    detail = _detail(status, said)
    if 200 <= status < 300 and reference:
        return SendOutcome(state="sent", provider_reference=reference)
    if status == 409 and said.get("reference") == message_id and reference:
        return SendOutcome(state="sent", provider_reference=reference)
    if status in _NOT_ADMITTED:
        return SendOutcome(state="retry", detail=f"The gateway does not admit us ({status}).")
    if status in _NOT_NOW or (status == 503 and answer.retry_after is not None):
        return SendOutcome(state="retry", detail=detail + _later(answer.retry_after))
    if 300 <= status < 400:
        return SendOutcome(state="retry", detail=f"The gateway points elsewhere ({status}), which is not followed.")
    if 400 <= status < 500 and status != 409:
        return SendOutcome(state="refused", detail=detail)
    if status >= 500 and said.get("accepted") is False:
        return SendOutcome(state="retry", detail=detail)
    return SendOutcome(state="unknown", detail=detail)


def _said(body: bytes) -> Mapping[str, Any]:
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return said if isinstance(said, Mapping) else {}


def _reference(said: Mapping[str, Any]) -> str | None:
    value = said.get("id")
    text = str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""
    return text if 0 < len(text) <= 200 else None


def _detail(status: int, said: Mapping[str, Any]) -> str:
    words = said.get("detail")
    more = "".join(c if c.isprintable() else " " for c in words) if isinstance(words, str) else ""
    return f"The gateway answered {status}. {more}".strip()[:300]


def _later(retry_after: str | None) -> str:
    return f" Not before: {retry_after[:40]}." if retry_after else ""
