"""Secrets that must be read again, as they lie in the database: encrypted under a key derived from SECRET_KEY.

HKDF (RFC 5869) makes a key for each purpose; Fernet encrypts and authenticates. ``SECRET_KEY_FALLBACKS`` still open
what they sealed, so SECRET_KEY can be changed.
"""

from __future__ import annotations

import base64

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.utils.encoding import force_bytes


class Unreadable(Exception):
    """The secret was sealed under a SECRET_KEY that is not known here."""


def seal(purpose: str, secret: bytes) -> str:
    return _keys(purpose)[0].encrypt(secret).decode()


def unseal(purpose: str, sealed: str) -> bytes:
    """Raises Unreadable."""
    try:
        return MultiFernet(_keys(purpose)).decrypt(sealed.encode())
    except InvalidToken as error:
        raise Unreadable(str(Unreadable.__doc__)) from error


def is_current(purpose: str, sealed: str) -> bool:
    """Whether it was sealed under the present SECRET_KEY."""
    try:
        _keys(purpose)[0].decrypt(sealed.encode())
    except InvalidToken:
        return False
    return True


def _keys(purpose: str) -> list[Fernet]:
    return [_key(purpose, text) for text in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)]


def _key(purpose: str, text: str | bytes) -> Fernet:
    info = f"opticshop {purpose}".encode()
    derived = HKDF(algorithm=SHA256(), length=32, salt=None, info=info).derive(force_bytes(text))
    return Fernet(base64.urlsafe_b64encode(derived))
