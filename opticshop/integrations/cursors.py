"""Cursors of the feed: a position, encrypted, so that a reader of one branch does not learn how much the group does.

One block of AES (FIPS 197) under a key derived from SECRET_KEY; eight zero bytes in it tell a cursor of ours from any
other text. ``SECRET_KEY_FALLBACKS`` still read what they wrote.
"""

from __future__ import annotations

import base64
import binascii

from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.ciphers.modes import ECB

from opticshop.core.sealing import derived_keys

_PURPOSE, _MARK = "feed cursors", bytes(8)


def cursor_of(position: int) -> str:
    """22 characters that may stand in an address."""
    block = _MARK + position.to_bytes(8, "big")
    sealed = _cipher(derived_keys(_PURPOSE)[0]).encryptor().update(block)
    return base64.urlsafe_b64encode(sealed).rstrip(b"=").decode()


def position_in(cursor: str) -> int | None:
    """The position, or None for what is no cursor of ours."""
    try:
        sealed = base64.b64decode(f"{cursor}==", altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return None
    if len(sealed) != len(_MARK) + 8:
        return None
    for key in derived_keys(_PURPOSE):
        block = _cipher(key).decryptor().update(sealed)
        if block.startswith(_MARK):
            return int.from_bytes(block[len(_MARK) :], "big")
    return None


def _cipher(key: bytes) -> Cipher[ECB]:
    return Cipher(AES(key), ECB())
