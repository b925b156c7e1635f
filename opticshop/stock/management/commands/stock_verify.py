"""Prove the stock: recompute every balance from the ledger and the active reservations."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from opticshop.stock.selectors import ledger_differences


class Command(BaseCommand):
    help = "Recompute all stock balances from the ledger; prints what differs and ends with 1 if anything does."

    def handle(self, *args: Any, **options: Any) -> None:
        differences = ledger_differences()
        for difference in differences:
            self.stdout.write(str(difference))
        if differences:
            raise CommandError(f"{len(differences)} differences between balances and ledger.", returncode=1)
        self.stdout.write("Every balance agrees with the ledger.")
