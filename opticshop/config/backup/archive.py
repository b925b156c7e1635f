"""The file of a backup: a tar under gzip, which any tar opens, sealed or not; its manifest stands first.

It is read with suspicion: only the members that the manifest names, in its order, as plain files, no longer than it
says, with the hashes that it says, and then nothing more. A name never decides where something is written.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import shutil
import tarfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

from .refusing import NO_ROOM, BackupRefused
from .sealed import MAGIC, SealedReader, SealingWriter

MANIFEST = "manifest.json"
LONGEST_MANIFEST = 64 * 1024 * 1024
#: What tar needs around a member: header, extended header, what it reads ahead.
AROUND = 64 * 1024
#: How gzip begins without a name and a moment, as we write it (RFC 1952).
_GZIP = bytes.fromhex("1f8b08000000000000ff")


@dataclass(frozen=True, slots=True)
class Member:
    """A file on disk and its name in the archive."""

    name: str
    path: Path


def described(member: Member) -> dict[str, Any]:
    return {"name": member.name, "size": member.path.stat().st_size, "sha256": sha256_of(member.path)}


def sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write(path: Path, manifest: dict[str, Any], members: list[Member], passphrase: bytes | None) -> None:
    """Write ``path``, readable by its owner only. The manifest's ``files`` are the members in their order."""
    with ExitStack() as stack:
        file: Any = stack.enter_context(os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb"))
        sink = stack.enter_context(SealingWriter(file, passphrase)) if passphrase is not None else file
        packed = stack.enter_context(gzip.GzipFile(filename="", mode="wb", fileobj=sink, mtime=0, compresslevel=6))
        with tarfile.open(fileobj=packed, mode="w|", format=tarfile.PAX_FORMAT) as tar:
            said = json.dumps(manifest, indent=1, sort_keys=True).encode()
            _add(tar, MANIFEST, len(said), io.BytesIO(said))
            for facts, member in zip(manifest["files"], members, strict=True):
                with member.path.open("rb") as content:
                    _add(tar, facts["name"], facts["size"], content)
    with path.open("rb") as written:
        os.fsync(written.fileno())


def _add(tar: tarfile.TarFile, name: str, size: int, content: IO[bytes]) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode = size, 0o600
    tar.addfile(entry, content)


@contextmanager
def opened(path: Path, passphrase: bytes | None) -> Iterator[Reading]:
    """The archive, its manifest read. Raises BackupRefused for whatever is not as it must be, also while it is read."""
    try:
        with path.open("rb") as file:
            sealed = file.read(len(MAGIC)) == MAGIC
            file.seek(0)
            if sealed and passphrase is None:
                raise BackupRefused("This backup is sealed: name the file of its passphrase with --key-file.")
            source: Any = io.BufferedReader(SealedReader(file, passphrase), 1024 * 1024) if sealed else file  # type: ignore[arg-type]
            if source.peek(len(_GZIP))[: len(_GZIP)] != _GZIP:
                raise BackupRefused(f"{path.name} is not a backup, or its beginning is damaged.")
            with gzip.GzipFile(fileobj=source) as unpacked:
                counted = _Counted(unpacked)
                counted.allow(LONGEST_MANIFEST + AROUND)
                with tarfile.open(fileobj=counted, mode="r|", bufsize=tarfile.RECORDSIZE) as tar:  # type: ignore[call-overload]
                    yield Reading(tar, counted)
    except BackupRefused:
        raise
    except (tarfile.TarError, EOFError, gzip.BadGzipFile, zlib.error) as error:
        raise BackupRefused(f"{path.name} is damaged or cut off: {error}") from error
    except OSError as error:
        if error.errno in NO_ROOM:  # said by the disk that is unpacked to
            raise BackupRefused(f"{path.name} cannot be unpacked: {error.strerror}.") from error
        raise BackupRefused(f"{path.name} cannot be read: {error.strerror or error}") from error


class _Counted(io.RawIOBase):
    """Refuses to unpack more than was allowed, whatever the archive claims."""

    def __init__(self, file: gzip.GzipFile) -> None:
        self._file, self._read, self._allowed = file, 0, 0

    def allow(self, more: int) -> None:
        """``more`` bytes from here."""
        self._allowed = self._read + more

    def read(self, size: int = -1) -> bytes:
        data = self._file.read(size)
        self._read += len(data)
        if self._read > self._allowed:
            raise BackupRefused("The archive holds more than its manifest says.")
        return data


class Reading:
    """One pass over an archive."""

    def __init__(self, tar: tarfile.TarFile, counted: _Counted) -> None:
        self._tar, self._counted = tar, counted
        entry = tar.next()
        if entry is None or entry.name != MANIFEST or not entry.isreg() or entry.size > LONGEST_MANIFEST:
            raise BackupRefused("The archive does not begin with a manifest.")
        try:
            self.manifest: dict[str, Any] = json.loads(self._content(entry).read())
            self.files = [
                (str(each["name"]), int(each["size"]), str(each["sha256"])) for each in self.manifest["files"]
            ]
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise BackupRefused("The manifest of the archive is damaged.") from error
        if any(_unsafe(name) or size < 0 for name, size, _ in self.files) or len({*self.files}) != len(self.files):
            raise BackupRefused("The manifest names a file that must not be in a backup.")

    def size(self) -> int:
        return sum(size for _, size, _ in self.files)

    def members(self) -> Iterator[tuple[str, IO[bytes]]]:
        """Name and content of each file. The content must be read to its end, which is when it is proven."""
        for name, size, sha256 in self.files:
            self._counted.allow(AROUND)
            entry = self._tar.next()
            if entry is None or entry.name != name or not entry.isreg() or entry.size != size:
                raise BackupRefused(f"Where {name} should stand the archive holds {_said(entry)}.")
            self._counted.allow(size + AROUND)
            proven = _Proven(self._content(entry), name, size, sha256)
            yield name, cast(IO[bytes], proven)
            proven.finish()
        self._counted.allow(AROUND)
        if (surplus := self._tar.next()) is not None:
            raise BackupRefused(f"The archive holds {_said(surplus)}, which its manifest does not name.")
        while self._counted.read(AROUND):  # to the check sum at the end of gzip
            pass

    def unpack(self, below: Path) -> None:
        """Write every file under its name below ``below``, which is empty and ours."""
        free = shutil.disk_usage(below).free
        if self.size() > free:
            raise BackupRefused(f"The backup unpacks to {self.size():,} bytes; {free:,} are free in {below}.")
        for name, content in self.members():
            place = below / name
            place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            with os.fdopen(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                shutil.copyfileobj(content, file, 1024 * 1024)
                file.flush()
                os.fsync(file.fileno())

    def _content(self, entry: tarfile.TarInfo) -> IO[bytes]:
        content = self._tar.extractfile(entry)
        if content is None:
            raise BackupRefused(f"{entry.name} is not a file.")
        return content


class _Proven(io.RawIOBase):
    """The content of a member, which must end where and as the manifest says."""

    def __init__(self, content: IO[bytes], name: str, size: int, sha256: str) -> None:
        self._content, self._name, self._left, self._sha256 = content, name, size, sha256
        self._hash = hashlib.sha256()

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        data = self._content.read(size)
        self._left -= len(data)
        self._hash.update(data)
        return data

    def finish(self) -> None:
        while self.read(1024 * 1024):
            pass
        if self._left or self._hash.hexdigest() != self._sha256:
            raise BackupRefused(f"{self._name} is not what the manifest says: it was changed or cut off.")


def _unsafe(name: str) -> bool:
    parts = name.split("/")
    return not name or "\\" in name or "\0" in name or any(part in {"", ".", ".."} for part in parts)


def _said(entry: tarfile.TarInfo | None) -> str:
    return "nothing" if entry is None else f"{entry.name!r} ({entry.size:,} bytes)"
