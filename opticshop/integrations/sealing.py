"""Secrets as they lie in the database: encrypted under a key derived from SECRET_KEY (HKDF, RFC 5869; then Fernet).

``SECRET_KEY_FALLBACKS`` still open what they sealed, so SECRET_KEY can be changed; afterwards rotate the secrets.
"""

from __future__ import annotations

import base64

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings
from django.utils.encoding import force_bytes

_PURPOSE = b"opticshop webhook secrets"


class Unreadable(Exception):
    """The secret was sealed under a SECRET_KEY that is not known here: rotate it."""


def seal(secret: str) -> str:
    return _box().encrypt(secret.encode()).decode()


def unseal(sealed: str) -> str:
    try:
        return _box().decrypt(sealed.encode()).decode()
    except InvalidToken as error:
        raise Unreadable(str(Unreadable.__doc__)) from error


def _box() -> MultiFernet:
    return MultiFernet([_key(text) for text in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)])


def _key(text: str | bytes) -> Fernet:
    derived = HKDF(algorithm=SHA256(), length=32, salt=None, info=_PURPOSE).derive(force_bytes(text))
    return Fernet(base64.urlsafe_b64encode(derived))
