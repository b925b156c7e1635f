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
        firsts = {each.id: since or first_day_of(each) for each in branches}
        branches = [each for each in branches if firsts[each.id] is not None]
        for each in branches:
            facts_begin(each, firsts[each.id] or clock.today(each.time_zone))
        marks_tidy([each.id for each in branches])
        begin = min((day for day in firsts.values() if day is not None), default=clock.now().date())
        for start, end in months(begin, clock.now().date() + A_DAY):
            stretches = due(branches, start, end)
            days = sum(stretch_build(stretch) for stretch in stretches)
            if stretches:
                self.stdout.write(f"{start:%Y-%m}: {days} days of {len(branches)} branches built.")
        self.stdout.write("The facts are built.")
