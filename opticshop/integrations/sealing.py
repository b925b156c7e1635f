"""Secrets of webhooks as they lie in the database (``core.sealing``)."""

from __future__ import annotations

from opticshop.core import sealing

_PURPOSE = "webhook secrets"


class Unreadable(Exception):
    """The secret was sealed under a SECRET_KEY that is not known here: rotate it."""


def seal(secret: str) -> str:
    return sealing.seal(_PURPOSE, secret.encode())


def unseal(sealed: str) -> str:
    try:
        return sealing.unseal(_PURPOSE, sealed).decode()
    except sealing.Unreadable as error:
        raise Unreadable(str(Unreadable.__doc__)) from error
