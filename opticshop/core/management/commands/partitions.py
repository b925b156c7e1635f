"""What the tables that are kept by months consist of; ``--make`` makes the coming months."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from opticshop.core.append_only import may_open
from opticshop.core.partitions import MONTHS_AHEAD, Partitioned, declared, keep, months_ahead, partitions_of


class Command(BaseCommand):
    help = "List the partitions of the tables that PostgreSQL keeps by months. Ends with 1 if the next month has none."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--make", action="store_true", help="Make those of the coming months, as the owner.")

    def handle(self, *args: Any, make: bool, **options: Any) -> None:
        if connection.vendor != "postgresql":
            self.stdout.write("SQLite keeps every table whole.")
            return
        if make and not may_open():
            raise CommandError("Only the owner of the tables can make partitions.", returncode=2)
        short = [table.table for table in declared() if not self._one(table, make)]
        if short:
            words = ", ".join(short)
            raise CommandError(f"No partition for the next month: {words}. Run it with --make.", returncode=1)

    def _one(self, table: Partitioned, make: bool) -> bool:
        made = keep(table) if make else 0
        ahead = months_ahead(table)
        self.stdout.write(f"{table.table}: {ahead} of {MONTHS_AHEAD} months ahead" + (f", {made} made" if made else ""))
        for each in partitions_of(table.table):
            bounds = (
                "everything else" if each.is_default else f"from {each.lower or 'the first'} to before {each.upper}"
            )
            self.stdout.write(f"  {each.name}: {bounds}, {_size(each.name)}")
        return ahead > 0


def _size(name: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_size_pretty(pg_total_relation_size(to_regclass(%s)))", [name])
        return str(cursor.fetchone()[0])
