"""The file of a backup: every flipped byte is noticed, and a made-up archive gets nowhere.

Scrypt is checked against the test vectors of RFC 7914, section 12; the cost against the OWASP Password Storage Cheat
Sheet (scrypt: at least N = 2**17, r = 8, p = 1).
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import stat
import tarfile

import pytest
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from opticshop.config.backup import archive, sealed
from opticshop.config.backup.archive import MANIFEST, Member
from opticshop.config.backup.refusing import BackupRefused

PASSPHRASE = b"four invented words of a shop"


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    monkeypatch.setattr(sealed, "COST", 2)


@pytest.fixture
def make(tmp_path):
    """``make({name: content}, passphrase)`` is the path of an archive."""

    def made(contents, passphrase=None, name="made"):
        members = []
        for number, (member, content) in enumerate(contents.items()):
            path = tmp_path / f"{name}-{number}"
            path.write_bytes(content)
            members.append(Member(member, path))
        target = tmp_path / name
        archive.write(target, {"files": [archive.described(each) for each in members]}, members, passphrase)
        return target

    return made


def contents(path, room, passphrase=None):
    room.mkdir()
    with archive.opened(path, passphrase) as reading:
        reading.unpack(room)
    return {str(each.relative_to(room)): each.read_bytes() for each in room.rglob("*") if each.is_file()}


def test_the_key_is_made_as_the_standard_says():
    derived = Scrypt(salt=b"NaCl", length=64, n=1024, r=8, p=16).derive(b"password")
    assert derived.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")


def test_no_cheaper_than_is_asked(monkeypatch):
    monkeypatch.undo()
    assert sealed.COST >= 2**17


@pytest.mark.parametrize("passphrase", [None, PASSPHRASE])
def test_what_goes_in_comes_out(make, tmp_path, passphrase, monkeypatch):
    monkeypatch.setattr(sealed, "PIECE", 1000)
    put = {
        "database.sqlite3": random.Random(1).randbytes(70_000),
        "media/a/ünï " + "x" * 120 + ".jpg": b"",
        "messages/sent": b"y" * 4000,
    }
    path = make(put, passphrase)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert contents(path, tmp_path / "room", passphrase) == put
    if passphrase is None:
        with tarfile.open(path) as tar:  # any tar opens it
            assert tar.getnames() == [MANIFEST, *put]


@pytest.mark.parametrize("passphrase", [None, PASSPHRASE])
def test_every_flipped_byte_and_every_cut_is_noticed(make, tmp_path, passphrase, monkeypatch):
    monkeypatch.setattr(sealed, "PIECE", 150)
    put = {"database.sqlite3": b"rows and rows"}
    whole = make(put, passphrase).read_bytes()
    broken = [whole[:length] for length in range(0, len(whole), 7)]
    for place in range(len(whole)):
        flipped = bytearray(whole)
        flipped[place] ^= 1 << place % 8
        broken.append(bytes(flipped))
    path, harmless = tmp_path / "broken", 0
    for number, data in enumerate(broken):
        path.write_bytes(data)
        try:
            assert contents(path, tmp_path / f"room{number}", passphrase) == put
            harmless += 1
        except BackupRefused:
            continue
    # Deflate (RFC 1951) has bits that mean nothing: those at the end, and lengths of codes that are not used.
    assert harmless == 0 if passphrase else harmless <= 4


def test_pieces_do_not_change_places_and_none_is_left_out(make, tmp_path, monkeypatch):
    monkeypatch.setattr(sealed, "PIECE", 200)
    whole = make({"database.sqlite3": random.Random(2).randbytes(2000)}, PASSPHRASE).read_bytes()
    begins = whole.index(b"\n", len(sealed.MAGIC)) + 1
    pieces = [whole[at : at + 216] for at in range(begins, len(whole), 216)]
    assert len(pieces) > 8
    changed = [[*pieces[:3], pieces[4], pieces[3], *pieces[5:]], pieces[:3] + pieces[4:], pieces[:-1]]
    for number, order in enumerate(changed):
        (tmp_path / "moved").write_bytes(whole[:begins] + b"".join(order))
        with pytest.raises(BackupRefused, match="changed or cut off"):
            contents(tmp_path / "moved", tmp_path / f"room{number}", PASSPHRASE)


def test_another_passphrase_opens_nothing_and_nothing_of_it_is_readable(make, tmp_path):
    path = make({"database.sqlite3": b"Wren Alder"}, PASSPHRASE)
    assert b"Wren" not in path.read_bytes()
    assert path.read_bytes() != make({"database.sqlite3": b"Wren Alder"}, PASSPHRASE, "twin").read_bytes()
    for other in (b"four invented words of a shop!", None):
        with pytest.raises(BackupRefused, match="passphrase"):
            contents(path, tmp_path / f"room{other}", other)


def made_up(path, entries, *, said=None):
    """A tar of whatever entries, with a manifest that names ``said`` or just them."""
    described = [
        {"name": entry.name, "size": len(content), "sha256": archive.hashlib.sha256(content).hexdigest()}
        for entry, content in entries
    ]
    manifest = json.dumps({"files": described if said is None else said}).encode()
    with (
        gzip.GzipFile(filename="", mode="wb", fileobj=path.open("wb"), mtime=0, compresslevel=6) as packed,
        tarfile.open(fileobj=packed, mode="w") as tar,
    ):
        first = tarfile.TarInfo(MANIFEST)
        first.size = len(manifest)
        tar.addfile(first, io.BytesIO(manifest))
        for entry, content in entries:
            tar.addfile(entry, io.BytesIO(content))
    return path


def entry(name, size=0, **facts):
    found = tarfile.TarInfo(name)
    found.size = size
    for key, value in facts.items():
        setattr(found, key, value)
    return found


@pytest.mark.parametrize(
    "name", ["../outside", "/etc/outside", "media/../../outside", "media//outside", "media/./x", "..\\outside", ""]
)
def test_a_name_leads_nowhere_else(tmp_path, name):
    path = made_up(tmp_path / "path", [(entry(name, 4), b"evil")])
    with pytest.raises(BackupRefused, match=r"must not be in a backup|should stand"):
        contents(path, tmp_path / "room")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["path", "room"]
    assert not any((tmp_path / "room").iterdir())


@pytest.mark.parametrize("kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.DIRTYPE, tarfile.FIFOTYPE, tarfile.CHRTYPE])
def test_only_plain_files_are_taken(tmp_path, kind):
    path = made_up(tmp_path / "linked", [(entry("media/x", type=kind, linkname="/etc/passwd"), b"")])
    with pytest.raises(BackupRefused, match="should stand"):
        contents(path, tmp_path / "room")


def bombs():
    zeros = bytes(3 * 1024 * 1024)
    small = {"name": "media/x", "size": 1, "sha256": ""}
    yield "longer than said", [(entry("media/x", len(zeros)), zeros)], [small]
    yield "not said", [(entry("media/x", len(zeros)), zeros)], []
    yield "said and too large for the disk", [], [small | {"size": 2**60}]
    yield "named twice", [], [small, small]
    header = entry("media/x", pax_headers={"comment": "x" * len(zeros)})
    yield "in its header", [(header, b"")], [small | {"size": 0}]


@pytest.mark.parametrize(("entries", "said"), [each[1:] for each in bombs()], ids=[each[0] for each in bombs()])
def test_a_bomb_is_refused_before_it_unpacks(tmp_path, entries, said):
    path = made_up(tmp_path / "bomb", entries, said=said)
    with pytest.raises(BackupRefused):
        contents(path, tmp_path / "room")
    assert sum(each.stat().st_size for each in (tmp_path / "room").rglob("*")) <= os.stat(tmp_path).st_blksize


def test_zeros_behind_the_end_are_not_unpacked_for_ever(make, tmp_path):
    path = make({"media/x": b"x"})
    with path.open("ab") as file:
        file.write(gzip.compress(bytes(5 * 1024 * 1024)))
    with pytest.raises(BackupRefused, match="more than its manifest says"):
        contents(path, tmp_path / "room")
