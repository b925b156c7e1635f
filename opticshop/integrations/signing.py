"""Signatures after Standard Webhooks: HMAC-SHA256 over ``id.timestamp.body`` with the decoded bytes of the secret."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable

PREFIX = "whsec_"
#: The standard asks for 24 to 64.
SECRET_BYTES = 32


def new_secret() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def signature(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    digest = hmac.new(key, b".".join((message_id.encode(), str(timestamp).encode(), body)), hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def headers(keys: Iterable[str], message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """What goes with the body; one signature per secret, while a new one takes the place of an old one."""
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signature(secret, message_id, timestamp, body) for secret in keys),
    }
