"""An archive under a passphrase: AES-256-GCM in pieces, so that it can be of any size and is never in memory whole.

The key comes from the passphrase by scrypt (RFC 7914; cost as the OWASP Password Storage Cheat Sheet asks, 2**17, 8, 1)
and a random salt, so no two archives share a key. The nonce of a piece is a random beginning, the number of the piece
and whether it is the last (the STREAM construction; Hoang, Reyhanitabar, Rogaway, Vizár 2015, from memory): pieces
cannot change places, be left out or be cut off at the end unnoticed. The header is authenticated with every piece.
"""

from __future__ import annotations

import base64
import io
import json
import os
from pathlib import Path
from typing import IO, Any

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from .refusing import BackupRefused

MAGIC = b"OPTICSHOP SEALED BACKUP 1\n"
COST = 2**17
PIECE = 1024 * 1024
TAG = 16
SHORTEST_PASSPHRASE = 20
#: A header may not ask for more than this: 1 GiB of memory.
_DEAREST = 2**20


def passphrase_in(path: Path) -> bytes:
    """The passphrase is what stands in the file, without the end of its line."""
    try:
        found = path.read_bytes().strip()
    except OSError as error:
        raise BackupRefused(f"The key file {path} cannot be read: {error.strerror}.") from error
    if len(found) < SHORTEST_PASSPHRASE:
        raise BackupRefused(f"The key file {path} holds fewer than {SHORTEST_PASSPHRASE} characters.")
    return found


class SealingWriter(io.RawIOBase):
    """Takes what is to be sealed; ``close`` writes the last piece. Whoever gave ``file`` closes that."""

    def __init__(self, file: IO[bytes], passphrase: bytes) -> None:
        facts = {"scrypt": [COST, 8, 1], "salt": _text(os.urandom(16)), "nonce": _text(os.urandom(7)), "piece": PIECE}
        self._header = MAGIC + json.dumps(facts).encode() + b"\n"
        self._box, self._nonce = _box(facts, passphrase)
        self._file, self._waiting, self._number = file, bytearray(), 0
        file.write(self._header)

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._waiting += data
        while len(self._waiting) > PIECE:  # what may be the last piece waits
            self._put(bytes(self._waiting[:PIECE]), last=False)
            del self._waiting[:PIECE]
        return len(data)

    def close(self) -> None:
        if not self.closed:
            self._put(bytes(self._waiting), last=True)
        super().close()

    def _put(self, piece: bytes, *, last: bool) -> None:
        self._file.write(self._box.encrypt(_nonce(self._nonce, self._number, last), piece, self._header))
        self._number += 1


class SealedReader(io.RawIOBase):
    """Gives back what was sealed. Nothing is given out before its piece was found to be true. Raises BackupRefused."""

    def __init__(self, file: IO[bytes], passphrase: bytes) -> None:
        self._header = file.readline(len(MAGIC)) + (line := file.readline(1000))
        if not self._header.startswith(MAGIC):
            raise BackupRefused("This is not a sealed backup.")
        try:
            facts = json.loads(line)
            self._piece = int(facts["piece"])
            if not 0 < self._piece <= 64 * PIECE or not 1 < facts["scrypt"][0] <= _DEAREST:
                raise ValueError
            self._box, self._nonce = _box(facts, passphrase)
        except (ValueError, KeyError, TypeError, IndexError) as error:
            raise BackupRefused("The header of the sealed backup is damaged.") from error
        self._file, self._number, self._open = file, 0, b""
        self._next = file.read(self._piece + TAG)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._open and self._next:
            this, self._next = self._next, self._file.read(self._piece + TAG)
            nonce = _nonce(self._nonce, self._number, not self._next)
            try:
                self._open = self._box.decrypt(nonce, this, self._header)
            except InvalidTag as error:
                raise BackupRefused(
                    f"The passphrase is another one, or the archive was changed or cut off (piece {self._number + 1})."
                ) from error
            self._number += 1
        if not self._number:
            raise BackupRefused("The sealed backup is cut off behind its header.")
        given = self._open[: len(buffer)]
        buffer[: len(given)] = given
        self._open = self._open[len(given) :]
        return len(given)


def _box(facts: dict[str, Any], passphrase: bytes) -> tuple[AESGCM, bytes]:
    cost, block, lanes = facts["scrypt"]
    salt, nonce = base64.b64decode(facts["salt"], validate=True), base64.b64decode(facts["nonce"], validate=True)
    if len(nonce) != 7 or len(salt) != 16 or (block, lanes) != (8, 1):
        raise ValueError("not a header of ours")
    return AESGCM(Scrypt(salt=salt, length=32, n=cost, r=block, p=lanes).derive(passphrase)), nonce


def _nonce(beginning: bytes, number: int, last: bool) -> bytes:
    return beginning + number.to_bytes(4) + bytes([last])


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode()
