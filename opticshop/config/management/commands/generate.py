"""Fills a trial database with invented branches, people and orders (docs/generating.md)."""

from __future__ import annotations

import datetime as dt
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from opticshop.branches.models import Branch
from opticshop.config.generating.planning import UNCOLLECTED
from opticshop.config.generating.pressing import Asked, Press, TooMany, Undelivered
from opticshop.config.generating.setting_up import MOST_BRANCHES
from opticshop.config.generating.stories import ENDINGS
from opticshop.config.generating.writing import people_write
from opticshop.core import clock
from opticshop.customers.models import Customer

#: Years between two orders of a person: common practice, no source.
BETWEEN_ORDERS_YEARS = 2
#: Orders that are not done with are in the books: none is older.
LEAST_BOOKS_DAYS = UNCOLLECTED.value[1] + 20


class Command(BaseCommand):
    help = (
        "Write an invented group with its orders into an empty database (--branches, --orders), or invented people, "
        "each with a prescription and a measurement, into the branches that there are (--customers alone)."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--branches", type=int, metavar="B", help="How many branches are made for the orders.")
        parser.add_argument("--customers", type=int, metavar="N", help="How many people; by the orders if left out.")
        parser.add_argument("--orders", type=int, metavar="M", help="How many orders.")
        parser.add_argument("--seed", type=int, required=True, metavar="S", help="The same seed draws the same.")
        parser.add_argument("--until", type=dt.date.fromisoformat, metavar="DAY", help="Their present day (today).")
        parser.add_argument("--years", type=int, default=5, help="Over how many years the orders lie (5).")
        parser.add_argument(
            "--trail-days",
            type=int,
            default=14,
            metavar="D",
            help="Orders of the last D days have all they wrote (14).",
        )
        parser.add_argument(
            "--books-days",
            type=int,
            default=120,
            metavar="D",
            help="Those of the last D days have their books (120; at least 80).",
        )
        parser.add_argument(
            "--stories", type=int, default=40, metavar="K", help="How many orders are told in full (40)."
        )
        parser.add_argument("--force", action="store_true", help="Also into a database that has customers.")

    def handle(self, *args: Any, **options: Any) -> None:
        force, until = options["force"], options["until"]
        if not force and Customer.objects.everywhere("is this a database in use?").exists():
            raise CommandError("This database has customers: invented ones would stand among them (--force).")
        today = clock.now().date()
        if until and until > today:
            raise CommandError("The present day of the people does not lie in the future.", returncode=2)
        if options["orders"] is None:
            self._people(options["customers"], options["seed"], until or today)
        else:
            self._orders(options, until or today)

    def _people(self, customers: int | None, seed: int, until: dt.date) -> None:
        if customers is None or customers < 1 or seed < 0:
            raise CommandError("At least one person; the seed is not negative.", returncode=2)
        branches = list(Branch.objects.order_by("id"))
        if not branches:
            raise CommandError("There is no branch that people could be at home in.")
        began = time.monotonic()
        written = people_write(branches, seed, customers, until)
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")
        self.stdout.write(f"{written} people in {len(branches)} branches, {time.monotonic() - began:.1f} s")

    def _orders(self, options: dict[str, Any], until: dt.date) -> None:
        orders, years = options["orders"], options["years"]
        asked = Asked(
            branches=options["branches"] or 1,
            customers=options["customers"] or max(1, orders * BETWEEN_ORDERS_YEARS // max(1, years)),
            orders=orders,
            seed=options["seed"],
            until=until,
            years=years,
            trail_days=options["trail_days"],
            books_days=max(options["books_days"], options["trail_days"], LEAST_BOOKS_DAYS),
            stories=options["stories"],
        )
        if not 1 <= asked.branches <= MOST_BRANCHES:
            raise CommandError(f"1 to {MOST_BRANCHES} branches.", returncode=2)
        if min(asked.customers, orders, years) < 1 or min(asked.seed, asked.trail_days) < 0:
            raise CommandError("At least one person, order and year; seed and days are not negative.", returncode=2)
        if asked.stories < len(ENDINGS):
            raise CommandError(f"At least {len(ENDINGS)} stories, one for each ending.", returncode=2)
        if Branch.objects.exists():
            raise CommandError("There are branches: orders are pressed into a database of their own.")
        if connection.vendor != "postgresql":
            raise CommandError("Orders are pressed on PostgreSQL only.")
        try:
            Press(asked, self._say).run()
        except (TooMany, Undelivered) as error:
            raise CommandError(f"{str(error).capitalize()}. Drop this database.") from error

    def _say(self, words: str) -> None:
        self.stdout.write(words)
        self.stdout.flush()
