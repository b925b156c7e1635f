"""What the gateway's calls say."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from opticshop.plugin_api import DeliveryReport, IncomingReply, InvalidFacts

DELIVERED, UNDELIVERED, REPLIED = "message.delivered", "message.undelivered", "message.replied"


class Unreadable(ValueError):
    """Signed, but not in the documented shape; the text says where."""


def read(call_id: str, body: bytes) -> Sequence[DeliveryReport | IncomingReply]:
    """The report or reply; nothing for a type that is not known yet. Raises `Unreadable`."""
    try:
        call = json.loads(body)
    except (ValueError, RecursionError):
        raise Unreadable("The body is not JSON.") from None
    if not isinstance(call, Mapping) or not isinstance(call.get("data"), Mapping):
        raise Unreadable("The body has no `data`.")
    kind, data = call.get("type"), call["data"]
    try:
        if kind in (DELIVERED, UNDELIVERED):
            return (
                DeliveryReport(
                    id=call_id,
                    message_id=_text(data, "reference"),
                    provider_reference=_text(data, "id"),
                    state="delivered" if kind == DELIVERED else "undelivered",
                    detail=(_text(data, "detail") or "")[:500],
                    at=_instant(call),
                ),
            )
        if kind == REPLIED:
            return (
                IncomingReply(
                    id=call_id,
                    message_id=_text(data, "reference"),
                    provider_reference=_text(data, "id"),
                    sender=_needed(data, "from"),
                    text=_needed(data, "text"),
                    received_at=_instant(call),
                ),
            )
    except InvalidFacts as error:
        raise Unreadable(f"{error.message} ({error.field})") from None
    return ()


def _text(data: Mapping[str, Any], name: str) -> str | None:
    value = data.get(name)
    if value is not None and not isinstance(value, str):
        raise Unreadable(f"`data.{name}` is not text.")
    return value or None


def _needed(data: Mapping[str, Any], name: str) -> str:
    value = data.get(name)
    if not isinstance(value, str):
        raise Unreadable(f"`data.{name}` is missing, or not text.")
    return value


def _instant(call: Mapping[str, Any]) -> datetime:
    try:
        return datetime.fromisoformat(str(call.get("timestamp")))
    except ValueError:
        raise Unreadable("`timestamp` is not an instant.") from None
