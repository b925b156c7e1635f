"""Old entries go under their seals, and the chain still proves the rest and says that they went."""

from __future__ import annotations

import datetime as dt
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from opticshop.audit import sealing
from opticshop.audit.models import AuditEntry, AuditRead, AuditReadSubject, AuditSeal
from opticshop.audit.services import note
from opticshop.core import clock
from opticshop.core.append_only import sealed_tables
from tests.audit.test_audit_chain import owner, verify


@pytest.fixture
def trail(db, mill):
    """Two seals of 2019 with three entries and a read, one of today with two entries."""
    for moment, rows in ((dt.datetime(2019, 1, 1, tzinfo=dt.UTC), 2), (dt.datetime(2019, 6, 1, tzinfo=dt.UTC), 1)):
        for number in range(rows):
            note(action="other", row_id=f"old{number}")
        read = AuditRead.objects.create(kind="customers_customer", ids=[str(mill.id)])
        AuditReadSubject.objects.create(read=read, customer_id=mill.id)
        with clock.at(moment):
            sealing.seal_due()
    young = [note(action="other", row_id=f"young{number}").pk for number in range(2)]
    sealing.seal_due()
    return young


def prune(**more):
    out = StringIO()
    call_command("audit_prune", before=dt.date(2020, 1, 1), reason="six years are over", stdout=out, **more)
    return out.getvalue()


def test_what_is_old_goes_and_the_rest_is_still_proved(trail):
    before = AuditEntry.objects.count()
    told = prune(dry_run=True)
    assert "2 reads under 2 seals" in told
    assert AuditEntry.objects.count() == before
    assert "Up to seal 2" in prune()
    assert not AuditRead.objects.exists()
    assert set(AuditEntry.objects.filter(row_id__startswith="young").values_list("pk", flat=True)) == set(trail)
    assert not AuditEntry.objects.filter(row_id__startswith="old").exists()
    [said] = AuditEntry.objects.filter(table_name="audit_auditseal")
    assert (said.after["pruned_upto_seal"], said.after["why"]) == (2, "six years are over")
    code, words = verify()
    assert code == 0, words
    sealing.seal_due()
    assert verify()[0] == 0
    assert AuditSeal.objects.count() == 4
    assert prune() == "", "there is nothing left to let go"
    assert "audit_auditentry" in sealed_tables(), "the seals of the tables are back"


def test_what_is_taken_away_besides_is_found_all_the_same(trail):
    prune()
    with owner() as cursor:
        cursor.execute("DELETE FROM audit_auditentry WHERE id = %s", [trail[0]])
    code, words = verify()
    assert code == 1
    assert f"entry {trail[0]}: is missing; it is under seal 3" in words


def test_what_is_young_is_kept(db):
    with pytest.raises(CommandError, match="younger"):
        call_command("audit_prune", before=dt.date(2026, 1, 1), reason="a slip of the hand", stdout=StringIO())
