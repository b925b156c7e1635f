"""Let old entries of the audit trail go; the seals stay and ``audit_verify`` still proves the rest."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.audit.pruning import prunable, prune
from opticshop.core import clock
from opticshop.core.append_only import may_open

#: Nobody lets go of what is younger by a slip of the hand.
YOUNGEST = dt.timedelta(days=365)


class Command(BaseCommand):
    help = "Let go of entries and reads that were sealed before a day. Only the owner of the database can."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--before", type=dt.date.fromisoformat, required=True, metavar="DAY")
        parser.add_argument("--reason", required=True, help="Is written into the trail.")
        parser.add_argument("--dry-run", action="store_true", help="Only say how much it would be.")

    def handle(self, *args: Any, before: dt.date, reason: str, dry_run: bool, **options: Any) -> None:
        moment = dt.datetime.combine(before, dt.time(), dt.UTC)
        if clock.now() - moment < YOUNGEST:
            raise CommandError(f"What is younger than {YOUNGEST.days} days is kept.", returncode=2)
        if dry_run:
            seals = prunable(moment)
            entries, reads = sum(seal.entry_count for seal in seals), sum(seal.read_count for seal in seals)
            self.stdout.write(f"Would let go of {entries} entries and {reads} reads under {len(seals)} seals.")
            return
        if not may_open():
            raise CommandError("Only the owner of the database can let go of them.", returncode=2)
        for done in prune(moment, reason=reason):
            self.stdout.write(f"Up to seal {done.upto_seal}: {done.entries} entries and {done.reads} reads.")
