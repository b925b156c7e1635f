"""Which mail server, and how it is spoken to: the settings of a branch."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from opticshop.plugin_api import Settings

Security = Literal["starttls", "tls", "none"]

_THIS_MACHINE = r"^(localhost|127(\.[0-9]{1,3}){3}|::1)$"

SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "host": {
            "title": "Mail server",
            "description": "Empty: not set up, nothing is sent.",
            "type": "string",
            "pattern": "^[A-Za-z0-9._:-]*$",
            "maxLength": 253,
            "examples": ["mail.example.org"],
        },
        "port": {"title": "Port", "type": "integer", "minimum": 1, "maximum": 65535, "examples": [587]},
        "security": {
            "title": "Encryption",
            "description": "starttls (mostly port 587), tls from the first byte (465); none only on this machine.",
            "enum": list(get_args(Security)),
        },
        "username": {"title": "Login; empty: none", "type": "string", "maxLength": 254},
        "password": {"title": "Password", "type": "string", "maxLength": 500, "writeOnly": True},
        "from_address": {
            "title": "Sender",
            "description": "The address in From. Its domain should be signed for (DKIM) by the mail server.",
            "type": "string",
            "maxLength": 254,
            "examples": ["north@example.org"],
        },
        "bounce_address": {
            "title": "Where undeliverable mail returns to; empty: the sender",
            "type": "string",
            "maxLength": 254,
        },
        "ca_certificate": {
            "title": "Certificate of your own authority, PEM",
            "description": "Then only this one is trusted. Empty: those that the system trusts.",
            "type": "string",
            "maxLength": 20000,
        },
        "timeout_seconds": {
            "title": "How long to wait for each answer",
            "type": "number",
            "minimum": 0.1,
            "maximum": 300,
        },
        "accepting_seconds": {
            "title": "How long to wait until the server has accepted a mail",
            "description": "RFC 5321 section 4.5.3.2.6 allows ten minutes; past this the outcome is unknown.",
            "type": "number",
            "minimum": 0.1,
            "maximum": 600,
        },
    },
    "if": {"properties": {"security": {"const": "none"}}, "required": ["security"]},
    "then": {"properties": {"host": {"pattern": _THIS_MACHINE}}},
}

DEFAULTS: dict[str, Any] = {
    "host": "",
    "port": 587,
    "security": "starttls",
    "username": "",
    "from_address": "",
    "bounce_address": "",
    "ca_certificate": "",
    "timeout_seconds": 20,
    "accepting_seconds": 60,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    """The settings as they are used; the password is in no representation of this object."""

    host: str
    port: int
    security: Security
    username: str
    password: str = field(repr=False)
    from_address: str
    bounce_address: str
    ca_certificate: str = field(repr=False)
    timeout_seconds: float
    accepting_seconds: float

    @classmethod
    def of(cls, settings: Settings) -> MailServer:
        return cls(**{"password": "", **DEFAULTS, **settings})
