"""Fills a trial database with invented people. It makes no orders yet (docs/generating.md)."""

from __future__ import annotations

import datetime as dt
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from opticshop.branches.models import Branch
from opticshop.config.generating.writing import people_write
from opticshop.core import clock
from opticshop.customers.models import Customer


class Command(BaseCommand):
    help = "Write invented people, each with a prescription and a measurement, into the branches that there are."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--customers", type=int, required=True, metavar="N", help="How many people.")
        parser.add_argument("--seed", type=int, required=True, metavar="S", help="The same seed draws the same people.")
        parser.add_argument("--until", type=dt.date.fromisoformat, metavar="DAY", help="Their present day (today).")
        parser.add_argument("--force", action="store_true", help="Also into a database that has customers.")

    def handle(self, *args: Any, customers: int, seed: int, until: dt.date | None, force: bool, **options: Any) -> None:
        if customers < 1 or seed < 0:
            raise CommandError("At least one person; the seed is not negative.", returncode=2)
        if not force and Customer.objects.everywhere("is this a database in use?").exists():
            raise CommandError("This database has customers: invented ones would stand among them (--force).")
        branches = list(Branch.objects.order_by("id"))
        if not branches:
            raise CommandError("There is no branch that people could be at home in.")
        today = until or clock.now().date()
        if today > clock.now().date():
            raise CommandError("The present day of the people does not lie in the future.", returncode=2)
        began = time.monotonic()
        written = people_write(branches, seed, customers, today)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")
        self.stdout.write(f"{written} people in {len(branches)} branches, {time.monotonic() - began:.1f} s")
