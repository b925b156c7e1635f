"""Where an installation keeps what a backup must hold besides the database, and what it never holds."""

from __future__ import annotations

import hashlib
import hmac
import os
from collections.abc import Iterator
from pathlib import Path

from django.conf import settings

from . import sqlite
from .archive import Member

#: What must be kept elsewhere, and why: it opens what the backup holds, so it may not lie in it.
KEPT_APART = {
    "OPTICSHOP_SECRET_KEY": "without it the secrets of webhooks and second factors are lost; all sign in anew",
    "the passphrase of the backup": "without it a sealed backup cannot be opened by anybody",
    "the role and password of the database, the certificates of the proxy": "they belong to the machine",
}
#: Written by halves, or left by us.
_PASSED_OVER = (".part", ".tmp")


def media() -> Path:
    """Photographs."""
    return Path(settings.MEDIA_ROOT)


def messages() -> Path:
    """What channels wrote, and the journal by which mail is sent once."""
    return Path(os.environ.get("OPTICSHOP_MESSAGES_DIR") or settings.VAR / "messages")


def places() -> dict[str, Path]:
    """By the name under which they stand in an archive."""
    return {"media": media(), "messages": messages()}


def found_in(name: str, place: Path) -> Iterator[Member]:
    """The files to keep, in the order of their names. What is not a plain file is passed over, links as well."""
    for folder, below, files in os.walk(place):
        below[:] = sorted(each for each in below if not each.startswith("."))
        for each in sorted(files):
            path = Path(folder, each)
            if each.startswith(".") or path.suffix in _PASSED_OVER or not path.is_file() or path.is_symlink():
                continue
            if not sqlite.lies_beside(path):
                yield Member(f"{name}/{path.relative_to(place).as_posix()}", path)


def fingerprint_of_secret() -> str:
    """Tells one SECRET_KEY from another, and nothing about it."""
    key = settings.SECRET_KEY
    return hmac.new(key.encode() if isinstance(key, str) else key, b"opticshop backup", hashlib.sha256).hexdigest()[:12]
