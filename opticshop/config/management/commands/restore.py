"""Put a backup in the place of this installation, or only rehearse it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from opticshop.config.backup.restoring import restore, table

from .backup import add_key_file, passphrase_of, refusals_told


class Command(BaseCommand):
    help = (
        "Restore a backup: every file and row is compared with the manifest, migrated to this version, the ledger and "
        "the audit trail are proven, and only then it takes the place of what is there, which is kept aside. "
        "Stop the service first; --rehearse needs no stop and replaces nothing."
    )
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path, help="A file that manage.py backup made.")
        add_key_file(parser)
        parser.add_argument("--replace", action="store_true", help="This installation holds data: keep it aside.")
        parser.add_argument("--rehearse", action="store_true", help="Do and prove everything, but replace nothing.")
        parser.add_argument(
            "--accept-findings", action="store_true", help="Also where the ledger or the audit trail does not hold."
        )

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        with refusals_told():
            restored = restore(
                file,
                passphrase=passphrase_of(options["key_file"]),
                replace=options["replace"],
                rehearse=options["rehearse"],
                accept_findings=options["accept_findings"],
                say=self.stdout.write,
            )
        self.stdout.write("")
        for line in table(restored.manifest):
            self.stdout.write(line)
        self.stdout.write(f"Every table is as it was. {restored.migrated} migrations were run since.")
        for finding in restored.findings:
            self.stdout.write(f"Finding, accepted: {finding}")
        if not restored.findings:
            self.stdout.write("The ledger and the audit trail hold.")
        for kept in restored.kept:
            self.stdout.write(f"Kept aside: {kept}")
        for note in restored.notes:
            self.stdout.write(f"- {note}")
        if options["rehearse"]:
            self.stdout.write("Rehearsed; nothing was replaced.")
