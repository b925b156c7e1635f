"""Prove the ledger: balances, numbers, reversals, closed months, batches and the triggers that guard them."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.ledger.selectors import ledger_findings
from opticshop.ledger.services import export_pieces


class Command(BaseCommand):
    help = "Look at everything that must hold in the ledger; prints what does not and ends with 1 if anything does not."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--files", action="store_true", help="Make the file of every batch anew and compare its hash."
        )

    def handle(self, *args: Any, files: bool, **options: Any) -> None:
        findings = ledger_findings(export_pieces if files else None)
        for finding in findings:
            self.stdout.write(str(finding))
        if findings:
            raise CommandError(f"{len(findings)} findings in the ledger.", returncode=1)
        self.stdout.write("The ledger holds.")
