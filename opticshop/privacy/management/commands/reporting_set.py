"""Writes a pseudonymised set of figures as CSV files; see ``privacy.reporting`` and docs/privacy.md."""

from __future__ import annotations

import datetime as dt
import os
import secrets
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.audit.services import note
from opticshop.core import csv_text
from opticshop.privacy.reporting import SMALL, ReportingSet

README = f"""\
Orders, prescriptions, sales and jobs without anybody's name. The keys are pseudonyms of this set alone; days are
months, years of birth are bands of ten, and there is no free text. It is pseudonymised, not anonymous: keep it as you
keep records of people. small-cells.csv names the cells with fewer than {SMALL} persons: leave them out of what you
publish.
"""


class Command(BaseCommand):
    help = (
        "Write a pseudonymised set of figures of some days into a new folder. The key is forgotten unless kept apart."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, help="Is made; must not be there yet.")
        parser.add_argument("--from", dest="first", type=dt.date.fromisoformat, required=True, metavar="DAY")
        parser.add_argument("--to", dest="last", type=dt.date.fromisoformat, required=True, metavar="DAY")
        parser.add_argument(
            "--keep-key", type=Path, metavar="FILE", help="Outside of the folder; opens the pseudonyms."
        )

    def handle(
        self, *args: Any, folder: Path, first: dt.date, last: dt.date, keep_key: Path | None, **options: Any
    ) -> None:
        if last < first:
            raise CommandError("The last day lies before the first.")
        if keep_key is not None and folder.resolve() in keep_key.resolve().parents:
            raise CommandError("Keep the key outside of the set.")
        key = secrets.token_bytes(32)
        try:
            folder.mkdir(mode=0o700, parents=True)
            if keep_key is not None:
                _write_key(keep_key, key)
        except FileExistsError as error:
            raise CommandError(f"{error.filename} is there already.") from error
        for name, heading, rows in ReportingSet(key, first, last).tables():
            count = 0
            with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
                file.writelines(csv_text.lines(heading, ()))
                for row in rows:
                    file.writelines(csv_text.lines(row, ()))
                    count += 1
            self.stdout.write(f"{name}: {count}")
        (folder / "README.txt").write_text(README, encoding="utf-8")
        note(action="export", table="reporting_set", after={"from": str(first), "to": str(last)})


def _write_key(path: Path, key: bytes) -> None:
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(key.hex() + "\n")
