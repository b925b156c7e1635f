"""Fill the daily facts of the past, month by month, the latest first."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.reports.facts import triggers
from opticshop.reports.facts.building import A_DAY, due, facts_begin, marks_tidy, months, stretch_build
from opticshop.reports.facts.periods import first_day_of


class Command(BaseCommand):
    help = (
        "Build the daily facts that reports read, of all branches or one. What is built is not built again, so it may "
        "be broken off and begun again; reports work all the while."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--since", type=dt.date.fromisoformat, help="First day; the first on record by itself.")
        parser.add_argument("--branch", help="Code of one branch.")

    def handle(self, *args: Any, since: dt.date | None, branch: str | None, **options: Any) -> None:
        if not triggers.are_in_place(connection):
            raise CommandError("The triggers that mark changed days are not in place: run manage.py migrate first.")
        branches = list(Branch.objects.filter(code=branch) if branch else Branch.objects.order_by("code"))
        if not branches:
            raise CommandError(f"There is no branch {branch}.")
        for each in branches:
            first = since or first_day_of(each)
            yesterday = clock.today(each.time_zone) - A_DAY
            if first is None or first > yesterday:
                self.stdout.write(f"{each.code}: nothing to build.")
                continue
            facts_begin(each, first)
            marks_tidy(each.id)
            for start, end in months(first, yesterday):
                stretches = list(due(each, start, end))
                days = sum(len(stretch.days()) for stretch in stretches if stretch_build(stretch))
                if stretches:
                    self.stdout.write(f"{each.code} {start:%Y-%m}: days built: {days}")
        self.stdout.write("The facts are built.")
