"""Make a backup, and read one back."""

from __future__ import annotations

import datetime as dt
import fcntl
import os
import platform
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from django.conf import settings

from opticshop.core import clock

from . import archive, databases, sqlite
from .archive import Member
from .digests import Digest, digests
from .places import KEPT_APART, fingerprint_of_secret, found_in, places
from .refusing import BackupRefused, past_stopping

FORMAT = 1
_NAMED = re.compile(r"opticshop-\d{8}T\d{6}Z(-\d+)?\.tar\.gz(\.sealed)?")
_LEFT_OVER = ".backup-"
_YOUNG_SECONDS = 30


@dataclass(frozen=True, slots=True)
class Made:
    path: Path
    size: int
    manifest: dict[str, Any]
    removed: list[Path]


def make(directory: Path, *, passphrase: bytes | None, keep: int | None = None) -> Made:
    """Write a backup into the directory, read it back, and only then give it its name and remove what is too old.

    Raises BackupRefused; then nothing new is there and nothing was removed.
    """
    directory.mkdir(parents=True, exist_ok=True, mode=0o700)
    with workshop(directory) as room:
        with databases.copied(room / "database") as source:
            manifest = _facts() | {
                "migrations": databases.migrations(source),
                "tables": {table: asdict(found) for table, found in digests(source).items()},
            }
        members = [Member(databases.MEMBERS[databases.present()[0]], room / "database"), *_files(room)]
        manifest["files"] = [archive.described(member) for member in members]
        written = room / "archive"
        archive.write(written, manifest, members, passphrase)
        _read_through(written, passphrase)
        past_stopping()
        path = _name(directory, sealed=passphrase is not None)
        os.link(written, path)  # never over another one
    _settle(directory)
    return Made(path, path.stat().st_size, manifest, list(_rotate(directory, keep, path)))


def verify(path: Path, passphrase: bytes | None) -> dict[str, Any]:
    """Read a backup and prove it: every file by its hash, and, of SQLite, every table by its digest.

    Returns its manifest. Raises BackupRefused.
    """
    with workshop(Path(tempfile.gettempdir())) as room:
        manifest = unpacked(path, passphrase, room)
        if manifest["vendor"] == "sqlite":
            with databases.read(room / databases.MEMBERS["sqlite"]) as source:
                compare(manifest, digests(source))
    return manifest


def unpacked(path: Path, passphrase: bytes | None, room: Path) -> dict[str, Any]:
    with archive.opened(path, passphrase) as reading:
        manifest = reading.manifest
        member = databases.MEMBERS.get(str(manifest.get("vendor")))
        if manifest.get("format") != FORMAT or member is None or not isinstance(manifest.get("tables"), dict):
            raise BackupRefused(f"{path.name} is of a kind that this version does not know.")
        if any(name != member and name.split("/")[0] not in places() for name, _, _ in reading.files):
            raise BackupRefused("The manifest names a file that must not be in a backup.")
        reading.unpack(room)
    if not (room / member).exists():
        raise BackupRefused(f"{path.name} holds no database.")
    return manifest


def compare(manifest: dict[str, Any], found: dict[str, Digest]) -> None:
    """Raises BackupRefused naming each table that is not what the manifest says."""
    said = {table: Digest(**facts) for table, facts in manifest["tables"].items()}
    nothing = Digest(0, "no such table")
    other = [
        f"{table} ({said.get(table, nothing).rows} rows said, {found.get(table, nothing).rows} found)"
        for table in sorted(said.keys() | found.keys())
        if said.get(table) != found.get(table)
    ]
    if other:
        raise BackupRefused(f"{len(other)} tables are not what the manifest says: {', '.join(other[:20])}.")


def _facts() -> dict[str, Any]:
    return {
        "format": FORMAT,
        "made_at": clock.now().isoformat(),
        "made_by": f"opticshop {settings.OPTICSHOP_VERSION}, Python {platform.python_version()}",
        "vendor": databases.present()[0],
        "database": databases.version(),
        "invented_data": settings.OPTICSHOP_INVENTED_DATA,
        "secret_key_fingerprint": fingerprint_of_secret(),
        "kept_apart": KEPT_APART,
    }


def _files(room: Path) -> Iterator[Member]:
    """Files as they are after the database was copied: what its rows name was written before them.

    Photographs are never changed once written; what channels write may grow, so it is copied first.
    """
    yield from found_in("media", places()["media"])
    for number, member in enumerate(found_in("messages", places()["messages"])):
        copy = room / f"message-{number}"
        if sqlite.is_database(member.path):
            sqlite.copy(member.path, copy)
        else:
            shutil.copyfile(member.path, copy)
        yield Member(member.name, copy)


def _read_through(path: Path, passphrase: bytes | None) -> None:
    with archive.opened(path, passphrase) as reading:
        for _ in reading.members():
            pass


def _name(directory: Path, *, sealed: bool) -> Path:
    end = ".tar.gz" + (".sealed" if sealed else "")
    stem = f"opticshop-{clock.now().astimezone(dt.UTC):%Y%m%dT%H%M%SZ}"
    number = 1
    while (path := directory / f"{stem}{f'-{number}' if number > 1 else ''}{end}").exists():
        number += 1
    return path


def _rotate(directory: Path, keep: int | None, made: Path) -> Iterator[Path]:
    if keep is None:
        return
    ours = [path for path in directory.iterdir() if _NAMED.fullmatch(path.name) and path != made]
    for path in sorted(ours, key=lambda each: (each.name[:26], each.stat().st_mtime_ns), reverse=True)[keep - 1 :]:
        path.unlink()
        yield path


@contextmanager
def workshop(directory: Path) -> Iterator[Path]:
    """A folder of ours, readable by nobody else, that is gone afterwards; also what a killed run left.

    Its folder holds a copy that is not sealed, so it does not stay: whoever works in one holds a lock, which the system
    takes back from a process that is killed.
    """
    for old in directory.glob(f"{_LEFT_OVER}*"):
        with suppress(OSError), ExitStack() as stack:
            is_young = old.stat().st_mtime > time.time() - _YOUNG_SECONDS  # made, and not yet locked
            if not is_young and _locked(old, stack):
                shutil.rmtree(old, ignore_errors=True)
    with ExitStack() as stack:
        room = Path(tempfile.mkdtemp(prefix=_LEFT_OVER, dir=directory))
        stack.callback(shutil.rmtree, room, ignore_errors=True)
        _locked(room, stack)
        yield room


def _locked(room: Path, stack: ExitStack) -> bool:
    """Hold the folder for as long as the stack; false where somebody else does."""
    handle = os.open(room, os.O_RDONLY | os.O_DIRECTORY)
    stack.callback(os.close, handle)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a disk without locks: what is a day old is nobody's
        return room.stat().st_mtime < time.time() - 86400
    return True


def _settle(directory: Path) -> None:
    """The new name survives a power cut."""
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
