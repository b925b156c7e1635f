"""Secrets as they lie in the database: sealed where they must be read again, as a digest where they need not.

HKDF (RFC 5869) derives a key for each purpose from SECRET_KEY; Fernet encrypts and authenticates.
``SECRET_KEY_FALLBACKS`` still open what they sealed, so SECRET_KEY can be changed.
"""

from __future__ import annotations

import base64
import hashlib

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


def digest(secret: str) -> str:
    """What is kept of a long random secret. It cannot be guessed, so one round of SHA-256 (FIPS 180-4) does."""
    return hashlib.sha256(secret.encode()).hexdigest()


def derived_keys(purpose: str) -> list[bytes]:
    """32 bytes for the purpose, from the present SECRET_KEY and then from those before it."""
    info = f"opticshop {purpose}".encode()
    return [
        HKDF(algorithm=SHA256(), length=32, salt=None, info=info).derive(force_bytes(text))
        for text in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)
    ]


def _keys(purpose: str) -> list[Fernet]:
    return [Fernet(base64.urlsafe_b64encode(key)) for key in derived_keys(purpose)]
