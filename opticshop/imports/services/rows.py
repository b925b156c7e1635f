"""What is done with one row, for good or to be rolled back, and what is said of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction

from opticshop.core.errors import Busy, DomainError

from ..kinds import KINDS, Job, Made, Problem, RowRefused, RowSkipped
from ..models import ImportFile, ImportRow, OutsideKey
from ..reading import LONGEST_CELL
from ..row_problems import AlreadyThere, CellTooLong, KeyUnusable, RowRagged

DONE, FAILED, SKIPPED = ImportRow.State.DONE, ImportRow.State.FAILED, ImportRow.State.SKIPPED
LONGEST_KEY = 80


@dataclass(frozen=True, slots=True)
class Outcome:
    state: str
    external_id: str
    made: Made | None
    problems: list[dict[str, Any]]


def row_take_over(job: Job, cells: Sequence[str]) -> Outcome:
    """Apply a row in a savepoint of the caller's transaction. Raises Busy, and whatever nobody foresaw."""
    kind, file, key = KINDS[job.file.kind], job.file, ""
    try:
        with transaction.atomic():
            named = _named(file, cells)
            key = _outside_key(job, named.get("external_id", ""))
            try:
                made = kind.apply(job, kind.values(named, file))
            except Busy:
                raise
            except DomainError as error:
                raise kind.refusal(error) from error
            if key:
                _keep_key(job, key, made)
            return Outcome(DONE, key, made, [])
    except RowSkipped as skipped:
        return Outcome(SKIPPED, key, None, said(file, skipped.problems))
    except RowRefused as refused:
        return Outcome(FAILED, key, None, said(file, refused.problems))


def said(file: ImportFile, problems: Iterable[Problem]) -> list[dict[str, Any]]:
    """Problems as they are kept and shown, each with its column in the file."""
    return [
        {
            "field": problem.field,
            "column": file.mapping.get(problem.field, ""),
            "code": problem.code,
            "detail": problem.detail[:500],
            "allowed": problem.allowed,
        }
        for problem in problems
    ]


def _named(file: ImportFile, cells: Sequence[str]) -> dict[str, str]:
    """Our field -> cell. Raises RowRefused for a row that is not as wide as its headings, or a cell without end."""
    if len(cells) != len(file.headings):
        detail = f"The row has {len(cells)} cells under {len(file.headings)} headings."
        raise RowRefused(Problem("", RowRagged, detail, f"{len(file.headings)} cells"))
    place = {heading: index for index, heading in enumerate(file.headings)}
    named = {name: cells[place[heading]] for name, heading in file.mapping.items()}
    too_long = [name for name, cell in named.items() if len(cell) > LONGEST_CELL]
    if too_long:
        detail = f"The cell has {len(named[too_long[0]])} characters."
        raise RowRefused(Problem(too_long[0], CellTooLong, detail, f"{LONGEST_CELL} characters"))
    return named


def _outside_key(job: Job, key: str) -> str:
    """The row's own key, not taken over yet. Raises RowSkipped where it was, RowRefused where it is no key."""
    if not key:
        return ""
    if len(key) > LONGEST_KEY or not key.isprintable():
        raise RowRefused(Problem("external_id", KeyUnusable, "The key is too long or not printable.", f"{LONGEST_KEY}"))
    known = OutsideKey.objects.everywhere("branch of the import, permission checked when it was started")
    found = known.filter(branch=job.branch, kind=job.file.kind, external_id=key).first()
    if found is not None:
        raise _already_there(found)
    return key


def _keep_key(job: Job, key: str, made: Made) -> None:
    try:
        with transaction.atomic():
            OutsideKey(
                branch=job.branch,
                kind=job.file.kind,
                external_id=key,
                made_type=made.type,
                made_id=made.id,
                file=job.file,
                row_number=job.row,
            ).save(force_insert=True)
    except IntegrityError as error:  # another file brought the same key in this moment
        raise RowSkipped(Problem("external_id", AlreadyThere, f"{key!r} was taken over already.")) from error


def _already_there(known: OutsideKey) -> RowSkipped:
    detail = f"{known.external_id!r} was taken over as {known.made_type}/{known.made_id}."
    return RowSkipped(Problem("external_id", AlreadyThere, detail))
