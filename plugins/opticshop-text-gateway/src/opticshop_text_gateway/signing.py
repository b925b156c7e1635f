"""Signatures after Standard Webhooks: HMAC-SHA256 over `id.timestamp.body`, in Base64 after "v1,"."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Mapping

TOLERANCE_SECONDS = 300
PREFIX = "whsec_"
SHORTEST_KEY = 24


class BadSecret(ValueError):
    """The secret is none."""


class NotSigned(ValueError):
    """The call does not carry a valid signature; the text says what is wrong with it."""


def _key(secret: str) -> bytes:
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except binascii.Error:
        raise BadSecret("The secret is not Base64.") from None
    if len(key) < SHORTEST_KEY:
        raise BadSecret("The secret is too short.")
    return key


def signature(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    """Raises `BadSecret`."""
    signed = b".".join((message_id.encode(), str(timestamp).encode(), body))
    return "v1," + base64.b64encode(hmac.new(_key(secret), signed, hashlib.sha256).digest()).decode()


def headers(secret: str, message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": signature(secret, message_id, timestamp, body),
    }


def verified(secret: str, received: Mapping[str, str], body: bytes, *, now: float) -> str:
    """The id of the call. Raises `NotSigned`, or `BadSecret`."""
    by_name = {name.lower(): value for name, value in received.items()}
    message_id, stamp, signatures = (
        by_name.get(name, "").strip() for name in ("webhook-id", "webhook-timestamp", "webhook-signature")
    )
    if not (message_id and stamp and signatures):
        raise NotSigned("The call is not signed.")
    if not (stamp.isascii() and stamp.isdigit() and len(stamp) <= 12):
        raise NotSigned("The time of the call is no number of seconds.")
    if abs(now - int(stamp)) > TOLERANCE_SECONDS:
        raise NotSigned("The call is too old, or from the future.")
    expected = signature(secret, message_id, int(stamp), body).encode()
    given = [one.encode("utf-8", "replace") for one in signatures.split() if one.startswith("v1,")]
    if not any([hmac.compare_digest(expected, one) for one in given]):  # noqa: C419  # all are compared
        raise NotSigned("The signature does not hold.")
    return message_id
