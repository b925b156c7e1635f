"""Prove the daily facts by the raw rows."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from opticshop.reports.facts import triggers
from opticshop.reports.facts.proving import days_kept, days_mend, differences


class Command(BaseCommand):
    help = "Compare the daily facts with the raw rows; prints each difference and ends with 1 if there is any."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--since", type=dt.date.fromisoformat, help="First day, as 2026-03-02.")
        parser.add_argument("--until", type=dt.date.fromisoformat, help="Last day, included.")
        parser.add_argument("--sample", type=int, help="So many days of branches, by chance, instead of all.")
        parser.add_argument("--mend", action="store_true", help="Mark days with differences, to be built anew.")

    def handle(
        self,
        *args: Any,
        since: dt.date | None,
        until: dt.date | None,
        sample: int | None,
        mend: bool,
        **options: Any,
    ) -> None:
        found = [] if triggers.are_in_place(connection) else ["The triggers that mark changed days are not in place."]
        days = days_kept(since, until, sample)
        wrong = {}
        for each in differences(days):
            found.append(str(each))
            wrong[each.branch.id, each.day] = (each.branch, each.day)
        for line in found:
            self.stdout.write(line)
        if mend and wrong:
            days_mend(list(wrong.values()))
            self.stdout.write(f"{len(wrong)} days are marked and will be built anew.")
        if found:
            raise CommandError(f"{len(found)} differences in {len(days)} days.", returncode=1)
        self.stdout.write(f"The facts of {len(days)} days are those of the raw rows.")
