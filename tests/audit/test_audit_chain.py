"""The chain of seals: an owner of the database, who can switch the triggers off, is found out by ``audit_verify``.

SHA-256 is checked against the example of FIPS 180-4 (the message "abc", from NIST's example values).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import threading
from contextlib import contextmanager
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from opticshop.audit import chain, sealing
from opticshop.audit.models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal
from opticshop.audit.proof import SEALED_TABLES
from opticshop.audit.services import note
from opticshop.core import clock
from opticshop.core.append_only import seal_statements, unseal_statements
from opticshop.core.duties import run_duty


@contextmanager
def owner():
    """Whoever owns the database lifts the guards, does as it likes and puts them back."""

    def run(statements):
        with connection.cursor() as cursor:
            for statement in statements:
                cursor.execute(statement)

    for table in SEALED_TABLES:
        if connection.vendor == "postgresql":
            run([f"DROP TRIGGER {table}_no_truncate ON {table}"])
        run(unseal_statements(table, connection.vendor))
    with connection.cursor() as cursor:
        yield cursor
    for table in SEALED_TABLES:
        run(seal_statements(table, connection.vendor))
        if connection.vendor == "postgresql":
            run(
                [
                    f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
                    f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_refuse()"
                ]
            )


def verify(*arguments: str) -> tuple[int, str]:
    out = StringIO()
    try:
        call_command("audit_verify", *arguments, stdout=out)
    except CommandError as error:
        return error.returncode, out.getvalue()
    return 0, out.getvalue()


@pytest.fixture
def trail(db, mill):
    """Two seals: six entries under the first, four and two reads under the second. Returns the keys of the entries."""
    keys = [note(action="other", row_id=str(number)).pk for number in range(5)]
    _leave_a_gap()
    keys.append(note(action="other", row_id="5").pk)
    sealing.seal_due()
    for number in range(6, 10):
        keys.append(note(action="other", row_id=str(number), after={"n": number}).pk)
    for _ in range(2):
        read = AuditRead.objects.create(kind="customers_customer", ids=[str(mill.id)])
        AuditReadSubject.objects.create(read=read, customer_id=mill.id)
    assert run_duty("audit.seal") == 6
    return keys


def _leave_a_gap() -> None:
    """As a transaction leaves one that is rolled back on PostgreSQL."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT nextval(pg_get_serial_sequence('audit_auditentry', 'id'))")
        else:
            cursor.execute("UPDATE sqlite_sequence SET seq = seq + 1 WHERE name = 'audit_auditentry'")


def test_a_trail_that_nobody_touched_holds(trail):
    code, said = verify()
    assert code == 0, said
    assert "The audit trail holds, 2 seals." in said
    assert run_duty("audit.seal") == 0, "sealing twice seals nothing more"
    first, second = AuditSeal.objects.order_by("number")
    assert (first.previous_hash, second.previous_hash) == (chain.GENESIS, first.hash)
    assert (second.entry_count, second.read_count) == (4, 2)


def test_the_hash_is_sha_256_over_canonical_json(trail):
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    seal = AuditSeal.objects.get(number=2)
    facts = {  # written out once more, by hand
        "at": "2026-03-02T12:00:00.000000+00:00",
        "entries": [seal.entries_after, seal.entries_upto, 4],
        "leaves": hashlib.sha256(bytes(seal.leaves)).hexdigest(),
        "number": 2,
        "previous": AuditSeal.objects.get(number=1).hash,
        "reads": [seal.reads_after, seal.reads_upto, 2],
    }
    assert seal.hash == hashlib.sha256(json.dumps(facts, separators=(",", ":")).encode()).hexdigest()


@pytest.mark.parametrize(
    ("doing", "words"),
    [
        ("UPDATE audit_auditentry SET actor_label = 'somebody else' WHERE id = {3}", "entry {3}: is not what seal 1"),
        ("UPDATE audit_auditentry SET after = '{{\"n\": 8}}' WHERE id = {7}", "entry {7}: is not what seal 2"),
        ("DELETE FROM audit_auditentry WHERE id = {2}", "entry {2}: is missing; it is under seal 1"),
        (
            "INSERT INTO audit_auditentry (id, action) VALUES ({5} - 1, 'other')",
            "entry {before}: was put in after seal 1",
        ),
        ("UPDATE audit_auditreadsubject SET customer_id = '{other}'", "is not what seal 2 was set on"),
        ("DELETE FROM audit_auditreadsubject", "is not what seal 2 was set on"),
        ("UPDATE audit_auditseal SET entry_count = 5 WHERE number = 1", "seal 1: was changed"),
        ("DELETE FROM audit_auditseal WHERE number = 1", "seal 2: follows seal 0"),
        ("UPDATE audit_auditseal SET leaves = {blob} WHERE number = 2", "seal 2: was changed"),
    ],
    ids=["changed", "changed values", "missing", "put in", "other person", "no person", "seal", "lost seal", "digests"],
)
def test_what_an_owner_of_the_database_does_is_found_and_named(trail, doing, words):
    names = {
        "before": trail[5] - 1,
        "other": "0" * 32 if connection.vendor == "sqlite" else "00000000-0000-0000-0000-000000000000",
        "blob": "x'00'" if connection.vendor == "sqlite" else r"'\x00'::bytea",
    }
    with owner() as cursor:
        cursor.execute(doing.format(*trail, **names))
    code, said = verify()
    assert code == 1
    assert words.format(*trail, **names) in said


def test_two_entries_that_changed_places_are_both_named(trail):
    one, two = trail[1], trail[2]
    with owner() as cursor:
        for old, new in ((one, -1), (two, one), (-1, two)):
            cursor.execute(f"UPDATE audit_auditentry SET id = {new} WHERE id = {old}")
    code, said = verify()
    assert code == 1
    assert f"entry {one}: is not what seal 1" in said
    assert f"entry {two}: is not what seal 1" in said


def test_an_end_that_was_cut_off_is_found_by_an_anchor_kept_elsewhere(trail, tmp_path):
    kept = tmp_path / "anchors.txt"
    kept.write_text(verify()[1])
    assert verify("--anchor", str(kept))[0] == 0
    with owner() as cursor:
        cursor.execute("DELETE FROM audit_auditseal WHERE number = 2")
        cursor.execute(f"DELETE FROM audit_auditentry WHERE id > {trail[5]}")
        cursor.execute("DELETE FROM audit_auditreadsubject")
        cursor.execute("DELETE FROM audit_auditread")
    assert verify()[0] == 0, "the chain alone cannot know"
    code, said = verify("--anchor", str(kept))
    assert code == 1
    assert "seal 2: is missing; its hash was kept elsewhere" in said


def test_a_chain_that_was_made_anew_is_found_by_an_anchor(trail, tmp_path):
    kept = tmp_path / "anchors.txt"
    kept.write_text(verify()[1])
    with owner() as cursor:
        cursor.execute("DELETE FROM audit_auditseal")
        cursor.execute(f"DELETE FROM audit_auditentry WHERE id = {trail[8]}")
    while sealing.seal_due():
        pass
    note(action="other")
    sealing.seal_due()
    assert verify()[0] == 0
    assert "seal 2: is not the one whose hash was kept elsewhere" in verify("--anchor", str(kept))[1]


def test_the_proof_may_begin_at_a_later_seal(trail):
    with owner() as cursor:
        cursor.execute(f"UPDATE audit_auditentry SET reason = 'x' WHERE id = {trail[0]}")
    assert verify()[0] == 1
    assert verify("--from-seal", "2")[0] == 0
    assert verify("--from-seal", "9")[0] == 1
    assert verify("--from-seal", "0")[0] == 2
    assert verify("--anchor", "/nowhere/at/all")[0] == 2


def test_a_trigger_that_is_off_is_a_finding(trail):
    name = "audit_auditentry_append_only" if connection.vendor == "postgresql" else "audit_auditentry_no_delete"
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER {name}" + (" ON audit_auditentry" if connection.vendor == "postgresql" else ""))
    code, said = verify()
    assert code == 1
    assert f"trigger {name}: is missing or switched off" in said


def test_what_is_not_sealed_yet_is_told_with_its_age(trail):
    with clock.at(dt.datetime.now(dt.UTC) + dt.timedelta(minutes=5)):
        note(action="other")
        said = verify()[1]
    assert "Not sealed yet: 1 entries and 0 reads, the oldest for 300 seconds." in said or "for 299" in said


def test_one_seal_takes_so_many_and_the_next_goes_on(db, mill, monkeypatch):
    monkeypatch.setattr(sealing, "MOST", 3)
    for number in range(8):
        note(action="other", row_id=str(number))
    total = AuditEntry.objects.count()
    assert run_duty("audit.seal") == total
    assert AuditSeal.objects.count() == -(-total // 3)
    assert verify()[0] == 0


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
def test_no_seal_goes_past_an_entry_whose_transaction_is_still_open(mill, monkeypatch):
    """The lower key becomes visible after the higher one: sealing waits for it, or leaves it to the next run."""
    monkeypatch.setattr(sealing, "PATIENCE", 0.2)
    written, go_on = threading.Event(), threading.Event()

    def slow() -> None:
        with transaction.atomic():
            note(action="other", row_id="slow")
            written.set()
            go_on.wait(20)
        connection.close()

    thread = threading.Thread(target=slow)
    thread.start()
    assert written.wait(20)
    note(action="other", row_id="quick")
    assert sealing.seal_due() == 0
    go_on.set()
    thread.join()
    assert sealing.seal_due() == AuditEntry.objects.count()
    assert verify()[0] == 0


@pytest.mark.django_db(transaction=True)
def test_two_who_seal_at_once_make_one_chain(mill):
    for number in range(5):
        note(action="other", row_id=str(number))
    done: list[int] = []

    def seal() -> None:
        done.append(sealing.seal_due())
        connection.close()

    threads = [threading.Thread(target=seal) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(done) == AuditEntry.objects.count()
    assert verify()[0] == 0
