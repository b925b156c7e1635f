"""Which gateway, and what it knows us by: the settings of a branch."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from opticshop.plugin_api import Settings

_SECRET = r"^(|whsec_[A-Za-z0-9+/]{32,86}={0,2})$"
_URL = (
    r"^(|https://[A-Za-z0-9._-]+(:[0-9]{1,5})?(/[!-~]*)?"
    r"|http://(localhost|127(\.[0-9]{1,3}){3}|\[::1\])(:[0-9]{1,5})?(/[!-~]*)?)$"
)

SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "url": {
            "title": "Where messages are posted to",
            "description": "https; http for this machine only. Empty: not set up, nothing is sent.",
            "type": "string",
            "pattern": _URL,
            "maxLength": 500,
            "examples": ["https://texts.example.org/messages"],
        },
        "sender": {
            "title": "Sender",
            "description": "A number such as +442079460018, or up to 11 letters and digits.",
            "type": "string",
            "pattern": r"^(|\+[1-9][0-9]{6,14}|[A-Za-z0-9 ]{1,11})$",
            "examples": ["North"],
        },
        "token": {
            "title": "Bearer token",
            "type": "string",
            "pattern": "^[!-~]*$",
            "maxLength": 1000,
            "writeOnly": True,
        },
        "signing_secret": {
            "title": "Secret that our requests are signed with, whsec_ and Base64",
            "type": "string",
            "pattern": _SECRET,
            "writeOnly": True,
        },
        "callback_url": {
            "title": "Where the gateway calls us; empty: it does not",
            "type": "string",
            "pattern": _URL,
            "maxLength": 500,
        },
        "callback_secret": {
            "title": "Secret that the gateway signs its calls with, whsec_ and Base64",
            "type": "string",
            "pattern": _SECRET,
            "writeOnly": True,
        },
        "ca_certificate": {
            "title": "Certificate of your own authority, PEM",
            "description": "Then only this one is trusted. Empty: those that the system trusts.",
            "type": "string",
            "maxLength": 20000,
        },
        "timeout_seconds": {
            "title": "How long to wait for the connection, and for the whole answer",
            "type": "number",
            "minimum": 0.1,
            "maximum": 120,
        },
    },
}

DEFAULTS: dict[str, Any] = {
    "url": "",
    "sender": "",
    "callback_url": "",
    "ca_certificate": "",
    "timeout_seconds": 15,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Gateway:
    """The settings as they are used; its secrets are in no representation of this object."""

    url: str
    sender: str
    token: str = field(repr=False, default="")
    signing_secret: str = field(repr=False, default="")
    callback_url: str
    callback_secret: str = field(repr=False, default="")
    ca_certificate: str = field(repr=False)
    timeout_seconds: float

    @classmethod
    def of(cls, settings: Settings) -> Gateway:
        return cls(**{**DEFAULTS, **settings})
