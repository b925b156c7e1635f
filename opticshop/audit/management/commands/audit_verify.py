"""Prove the audit trail: nothing changed, missing, put in or cut off, and all triggers in place."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.audit.proof import findings, last_seal, tail


class Command(BaseCommand):
    help = (
        "Compute the chain of the audit trail anew; prints what does not hold and ends with 1 if anything does not. "
        "Keep the line that begins with 'anchor' outside of this database: with it a cut-off tail is found too."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--from-seal", type=int, default=1, metavar="NUMBER", help="Begin with this seal (1).")
        parser.add_argument("--anchor", metavar="FILE", help="A file of 'anchor' lines that were printed before.")

    def handle(self, *args: Any, from_seal: int, anchor: str | None, **options: Any) -> None:
        if from_seal < 1:
            raise CommandError("Seals are numbered from 1.", returncode=2)
        count = 0
        for finding in findings(from_seal=from_seal, anchors=_anchors(anchor) if anchor else {}):
            self.stdout.write(str(finding))
            count += 1
        rest = tail()
        self.stdout.write(
            f"Not sealed yet: {rest.entries} entries and {rest.reads} reads, "
            f"the oldest for {int(rest.age.total_seconds())} seconds."
        )
        last = last_seal()
        if last is not None:
            self.stdout.write(f"anchor {last.number} {last.hash}")
        if count:
            raise CommandError(f"{count} findings in the audit trail.", returncode=1)
        self.stdout.write(f"The audit trail holds, {last.number if last else 0} seals.")


def _anchors(name: str) -> dict[int, str]:
    try:
        lines = Path(name).read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise CommandError(f"{name} cannot be read: {error}", returncode=2) from error
    words = [line.split() for line in lines if line.startswith("anchor ")]
    if not words or any(len(each) != 3 or not each[1].isdigit() for each in words):
        raise CommandError(f"{name} holds no lines 'anchor NUMBER HASH'.", returncode=2)
    return {int(number): digest for _, number, digest in words}
