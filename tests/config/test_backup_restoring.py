"""A shop with orders, payments, a job and an audit trail is backed up, lost and put back: nothing differs."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import shutil
import signal
import sqlite3
import threading
import time
from contextlib import closing
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from opticshop.audit.sealing import seal_due
from opticshop.config.backup import archive, databases, making, sealed, sqlite
from opticshop.config.backup.digests import digests
from opticshop.config.backup.refusing import BackupRefused
from opticshop.core import outbox
from opticshop.correspondence.models import Message
from opticshop.integrations.models import FeedHead
from tests.quality.conftest import pay
from tests.workshop.conftest import bench, order, world

__all__ = ["bench", "order", "world"]

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "sqlite", reason="the file of SQLite; PostgreSQL has a test of its own"),
]
#: What ``aftermath`` writes; everything else must be as it was.
SETTLED = {"integrations_feedhead", "audit_auditentry"}


@pytest.fixture
def shop(tmp_path, settings, monkeypatch, api, clerk, order, bench, world):
    """An installation in files of its own: its database, two photographs and the journal of its mail."""
    monkeypatch.setattr(sealed, "COST", 2)
    var = tmp_path / "var"
    settings.MEDIA_ROOT = var / "media"
    monkeypatch.setenv("OPTICSHOP_MESSAGES_DIR", str(var / "messages"))
    key = tmp_path / "key"
    key.write_text("four invented words of a shop\n")
    monkeypatch.setenv("OPTICSHOP_BACKUP_KEY_FILE", str(key))
    pay(api(clerk), order, "100.00")
    bench.verify()
    outbox.deliver_all()
    assert seal_due() > 0
    for name in ("one.jpg", "two.png"):
        photograph = var / "media" / "inspection-photographs" / name
        photograph.parent.mkdir(parents=True, exist_ok=True)
        photograph.write_bytes(name.encode() * 100)
    (photograph.parent / "half.jpg.part").write_bytes(b"half written")
    (var / "messages").mkdir()
    with closing(sqlite3.connect(var / "messages" / "mail-channel.sqlite3")) as journal:
        journal.execute("CREATE TABLE handed_over (id TEXT)")
    file = var / "opticshop.sqlite3"
    file.write_bytes(connection.connection.serialize())
    with databases.in_place_of_default(connection.settings_dict | {"NAME": str(file)}):
        connection.ensure_connection()
        yield file


def manage(*arguments):
    out = StringIO()
    call_command(*map(str, arguments), stdout=out)
    return out.getvalue()


def backed_up(folder, *arguments):
    manage("backup", "--to", folder, *arguments)
    [path] = folder.iterdir()
    return path


def held(file):
    """What the tables hold, as whoever opens the file anew sees it."""
    connection.close()
    with closing(sqlite3.connect(file)) as opened:
        return digests(sqlite.SqliteSource(opened))


def read(api, user, order, world):
    """What the API answers, byte for byte."""
    addresses = [
        f"/api/v1/orders/{order['id']}/",
        f"/api/v1/customers/{world.customer.id}/",
        f"/api/v1/prescriptions/{world.prescription.id}/",
        f"/api/v1/jobs/?order={order['id']}",
        f"/api/v1/payments/?order={order['id']}",
        f"/api/v1/receipts/?order={order['id']}",
        f"/api/v1/balances/{order['id']}/",
        "/api/v1/stock/",
    ]
    answers = {each: api(user).get(each) for each in addresses}
    assert {each: answer.status_code for each, answer in answers.items()} == dict.fromkeys(addresses, 200)
    return {each: answer.content for each, answer in answers.items()}


def test_what_was_lost_is_back(shop, tmp_path, api, clerk, order, world, settings):
    Message.objects.everywhere("test").update(state="queued")
    messages = Message.objects.everywhere("test").count()
    answers, before = read(api, clerk, order, world), held(shop)
    path = backed_up(tmp_path / "backups")
    assert path.name.endswith(".tar.gz.sealed")
    assert settings.SECRET_KEY.encode() not in path.read_bytes()

    connection.close()
    shutil.rmtree(shop.parent)
    said = manage("restore", path)

    after = held(shop)
    assert before["orders_order"].rows == 1
    assert before["audit_auditseal"].rows > 0
    assert {table for table in before.keys() | after.keys() if before.get(table) != after.get(table)} <= SETTLED | (
        {"correspondence_message"} if messages else set()
    )
    assert read(api, clerk, order, world) == answers
    media = shop.parent / "media" / "inspection-photographs"
    assert sorted(each.name for each in media.iterdir()) == ["one.jpg", "two.png"]
    assert (media / "one.jpg").read_bytes() == b"one.jpg" * 100
    assert "The ledger and the audit trail hold." in said
    assert "orders_order " in said
    assert "The ledger holds." in manage("ledger_verify")
    assert "The audit trail holds" in manage("audit_verify")
    assert FeedHead.objects.get().last > 1_000_000
    assert not Message.objects.everywhere("test").filter(state="queued").exists()


def test_nothing_that_is_there_is_replaced_unasked_or_while_it_is_used(shop, tmp_path, order):
    path = backed_up(tmp_path / "backups", "--unsealed")
    with pytest.raises(CommandError, match="--replace"):
        manage("restore", path)
    with closing(sqlite3.connect(shop)) as service:
        service.execute("SELECT count(*) FROM orders_order").fetchall()
        with pytest.raises(CommandError, match="Stop the service"):
            manage("restore", path, "--replace")
    assert sorted(each.name for each in shop.parent.iterdir()) == ["media", "messages", shop.name]

    with connection.cursor() as cursor:
        cursor.execute("UPDATE orders_order SET number = 'after the backup'")
    (shop.parent / "messages" / "since.txt").write_text("sent since")
    assert "nothing was replaced" in manage("restore", path, "--rehearse")
    with connection.cursor() as cursor:
        cursor.execute("SELECT number FROM orders_order")
        assert cursor.fetchone() == ("after the backup",)
    manage("restore", path, "--replace")
    with connection.cursor() as cursor:
        cursor.execute("SELECT number FROM orders_order")
        assert cursor.fetchone() == (order["number"],)
    [kept] = shop.parent.glob("opticshop.sqlite3.before-*")
    with closing(sqlite3.connect(kept)) as old:
        assert old.execute("SELECT number FROM orders_order").fetchone() == ("after the backup",)
    assert (shop.parent / "messages" / "since.txt").exists()
    assert len(list(shop.parent.glob("*.before-*"))) == 3


def test_a_backup_that_is_not_what_it_says_changes_nothing(shop, tmp_path, monkeypatch):
    path = backed_up(tmp_path / "backups", "--unsealed")
    before = held(shop)

    def forged(name, change):
        room = tmp_path / name
        room.mkdir()
        with archive.opened(path, None) as reading:
            reading.unpack(room)
            manifest = reading.manifest
        members = [archive.Member(each["name"], room / each["name"]) for each in manifest["files"]]
        change(manifest, room)
        manifest["files"] = [archive.described(each) for each in members]
        archive.write(tmp_path / f"{name}.tar.gz", manifest, members, None)
        return tmp_path / f"{name}.tar.gz"

    def dearer(manifest, room):
        with closing(sqlite3.connect(room / "database.sqlite3")) as opened, opened:
            for [name] in opened.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'orders_order'"
            ).fetchall():
                opened.execute(f'DROP TRIGGER "{name}"')
            opened.execute("UPDATE orders_order SET number = 'forged'")

    def newer(manifest, room):
        manifest["migrations"].append(["orders", "9999_from_tomorrow"])

    def elsewhere(manifest, room):
        manifest["vendor"] = "postgresql"

    for change, words in ((dearer, "orders_order"), (newer, "newer version"), (elsewhere, "must not be in a backup")):
        with pytest.raises(CommandError, match=words):
            manage("restore", forged(change.__name__, change), "--replace")
    with pytest.raises(CommandError, match="orders_order"):
        manage("backup", "--verify", tmp_path / "dearer.tar.gz")
    assert "The backup is whole." in manage("backup", "--verify", path)
    assert held(shop) == before
    assert sorted(each.name for each in shop.parent.iterdir()) == ["media", "messages", shop.name]


def test_a_backup_that_fails_leaves_nothing_and_removes_nothing(shop, tmp_path, monkeypatch):
    folder = tmp_path / "backups"
    first = backed_up(folder, "--keep", "1")
    monkeypatch.delenv("OPTICSHOP_BACKUP_KEY_FILE")
    with pytest.raises(CommandError, match="health"):
        manage("backup", "--to", folder)
    plain = archive.write

    def cut_off(path, *arguments):
        plain(path, *arguments)
        path.write_bytes(path.read_bytes()[:-20])

    with monkeypatch.context() as broken:
        broken.setattr(archive, "write", cut_off)
        with pytest.raises(CommandError, match="cut off"):
            manage("backup", "--to", folder, "--keep", "1", "--unsealed")
    assert list(folder.iterdir()) == [first]
    manifest = making.make(folder, passphrase=None, keep=1).manifest
    [second] = folder.iterdir()
    assert second != first
    assert "OPTICSHOP_SECRET_KEY" in manifest["kept_apart"]
    assert json.dumps(manifest).count("secret_key_fingerprint") == 1


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "No space left on device"),
        (sqlite3.OperationalError("database or disk is full"), "disk is full"),
    ],
)
def test_a_full_disk_is_told_in_words_and_leaves_nothing(shop, tmp_path, monkeypatch, error, words):
    """The errors are those that a full tmpfs gave (docs/backups.md)."""

    def full(*arguments, **named):
        raise error

    folder = tmp_path / "backups"
    first = backed_up(folder)
    before = held(shop)
    with monkeypatch.context() as broken:
        broken.setattr(archive, "write", full)
        with pytest.raises(CommandError, match=words) as refused:
            manage("backup", "--to", folder, "--keep", "1")
    assert refused.value.returncode == 1
    with monkeypatch.context() as broken:
        broken.setattr(archive.shutil, "copyfileobj", full)
        with pytest.raises(CommandError, match=words):
            manage("restore", first, "--replace")
    assert list(folder.iterdir()) == [first]
    assert held(shop) == before
    assert sorted(each.name for each in shop.parent.iterdir()) == ["media", "messages", shop.name]


@pytest.mark.skipif(threading.current_thread() is not threading.main_thread(), reason="signals come to the main thread")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_it_and_takes_away_what_was_begun(shop, tmp_path, monkeypatch, number):
    folder, handler = tmp_path / "backups", signal.getsignal(number)
    first = backed_up(folder)
    plain = archive.write

    def stopped(*arguments):
        plain(*arguments)
        os.kill(os.getpid(), number)

    monkeypatch.setattr(archive, "write", stopped)
    with pytest.raises(CommandError, match=number.name) as refused:
        manage("backup", "--to", folder, "--keep", "1")
    assert refused.value.returncode == 128 + number
    assert list(folder.iterdir()) == [first]
    assert signal.getsignal(number) is handler


def test_once_a_restore_puts_things_in_place_it_finishes(shop, tmp_path, monkeypatch, order):
    """A restore that is stopped between the folders and the database would leave photographs of another day."""
    path = backed_up(tmp_path / "backups")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE orders_order SET number = 'after the backup'")
    plain = databases.Beside.put_in_place

    def stopped(beside):
        os.kill(os.getpid(), signal.SIGTERM)
        return plain(beside)

    monkeypatch.setattr(databases.Beside, "put_in_place", stopped)
    assert "Kept aside" in manage("restore", path, "--replace")
    with closing(sqlite3.connect(shop)) as opened:
        assert opened.execute("SELECT number FROM orders_order").fetchone() == (order["number"],)


def test_what_a_killed_run_left_goes_and_what_somebody_works_in_stays(tmp_path):
    left, used, young = (tmp_path / f".backup-{name}" for name in ("left", "used", "young"))
    for room in (left, used, young):
        room.mkdir()
        (room / "database").write_bytes(b"not sealed")
    for room in (left, used):
        os.utime(room, (0, time.time() - 60))
    handle = os.open(used, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        with making.workshop(tmp_path) as room, making.workshop(tmp_path):
            assert room.exists()
    finally:
        os.close(handle)
    assert sorted(tmp_path.iterdir()) == [used, young]


def test_writers_go_on_and_the_copy_is_of_one_moment(tmp_path):
    """Two rows whose sum never changes are changed all the time by others; the copy has one of those states."""
    source = tmp_path / "busy.sqlite3"
    with closing(sqlite3.connect(source)) as made, made:
        made.execute("PRAGMA journal_mode = WAL")
        made.execute("CREATE TABLE till (id INTEGER PRIMARY KEY, amount INTEGER, rest BLOB)")
        made.executemany("INSERT INTO till VALUES (?, 500, ?)", [(n, bytes(4000)) for n in range(400)])
    stop, written = threading.Event(), [0]

    def write():
        with closing(sqlite3.connect(source, timeout=10)) as opened:
            while not stop.wait(0.001):
                with opened:
                    opened.execute("UPDATE till SET amount = amount - 1 WHERE id = 0")
                    opened.execute("UPDATE till SET amount = amount + 1 WHERE id = 399")
                written[0] += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while written[0] < 3:
            stop.wait(0.001)
        begun = written[0]
        sqlite.copy(source, tmp_path / "copy", pages=40)
        during = written[0] - begun
    finally:
        stop.set()
        writer.join()
    with closing(sqlite3.connect(tmp_path / "copy")) as copied:
        assert copied.execute("SELECT sum(amount), count(*) FROM till").fetchone() == (200_000, 400)
        assert copied.execute("SELECT amount FROM till WHERE id = 399").fetchone()[0] > 500
    assert during > 0, "nobody could write"
    assert sorted(each.name for each in tmp_path.iterdir() if "copy" in each.name) == ["copy"]


def test_what_is_no_database_is_no_database(tmp_path):
    with pytest.raises(BackupRefused, match="no database at"):
        sqlite.copy(Path(tmp_path / "nothing"), tmp_path / "copy")
