from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from opticshop.core.models import Entity
from opticshop.core.scoping import BranchOwned

from .journal import Entry


class JournalTail(models.Model):
    """The last position given out. Its one row is held by whoever gives out more."""

    last = models.PositiveBigIntegerField(default=0)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(id=1), name="ledger_one_tail")]

    def __str__(self) -> str:
        return str(self.last)


class EntryPosition(BranchOwned):
    """The place of an entry in the order in which it can be handed out. Never changed, never deleted.

    Ids are made before their transaction commits, so an entry may appear behind one that was handed out already. A
    position is given only to entries that are there, by one transaction at a time: nothing appears before the tail.
    """

    branch_path = "entry__branch"

    entry = models.OneToOneField(Entry, on_delete=models.PROTECT, primary_key=True, related_name="settled")
    position = models.PositiveBigIntegerField(unique=True)

    def __str__(self) -> str:
        return f"{self.position}: {self.entry_id}"


class JournalExport(Entity, BranchOwned):
    """One batch of the journal in one format: the entries between two positions. Never changed, never deleted.

    Batches of an exporter and a scope (a branch, or the group) follow one another without a gap, so each entry is in
    exactly one. The settings are kept, and with them the same batch gives the same bytes again; ``sha256`` proves it.
    """

    branch = models.ForeignKey("branches.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    exporter = models.CharField(max_length=80)
    made_by = models.CharField(max_length=120, help_text="Plugin and version that made the file")
    exporter_settings = models.JSONField(default=dict)
    media_type = models.CharField(max_length=80)
    file_name = models.CharField(max_length=160)
    after_position = models.PositiveBigIntegerField()
    upto_position = models.PositiveBigIntegerField()
    entry_count = models.PositiveIntegerField()
    line_count = models.PositiveIntegerField()
    totals = models.JSONField(help_text="Sum of the debits, which is that of the credits, by currency")
    booked_from = models.DateField()
    booked_to = models.DateField()
    sha256 = models.CharField(max_length=64)
    byte_count = models.PositiveBigIntegerField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    by_label = models.CharField(max_length=200)

    class Meta(BranchOwned.Meta):
        constraints = [
            models.UniqueConstraint(fields=["exporter", "branch", "after_position"], name="ledger_export_follows"),
            models.UniqueConstraint(
                fields=["exporter", "after_position"],
                condition=Q(branch__isnull=True),
                name="ledger_group_export_follows",
            ),
            models.CheckConstraint(
                condition=Q(upto_position__gt=F("after_position")) & Q(entry_count__gt=0),
                name="ledger_export_has_entries",
            ),
        ]
        indexes = [models.Index(fields=["exporter", "branch", "-upto_position"], name="ledger_export_last")]

    def __str__(self) -> str:
        return self.file_name
