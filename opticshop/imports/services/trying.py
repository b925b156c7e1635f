"""The dry run: every row goes the way it would go, and all of it is rolled back.

Rows are tried in portions, each in a transaction of its own, so that a long file does not hold others up; what depends
on a row of an earlier portion is seen only when the file runs.
"""

from __future__ import annotations

import logging
from typing import Any

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Busy, DomainError
from opticshop.core.states import check_move

from ..kinds import Job, Problem
from ..models import ImportFile
from ..reading import read
from ..row_problems import Unforeseen
from .files import check_columns, hold, prepare, write
from .problems import require_run, runner_of
from .rows import DONE, FAILED, SKIPPED, Outcome, row_take_over, said

log = logging.getLogger("opticshop.imports")

#: Rows of a portion. A file that is no longer is tried within the request, a longer one by the duty.
TRIED_AT_ONCE = 500
MOST_TOLD = 500
_COUNTED: dict[str, str] = {DONE: "would_take_over", SKIPPED: "would_skip", FAILED: "would_fail"}


def import_try(*, actor: Actor, file: ImportFile) -> ImportFile:
    """Say what a run would do. A file of many rows is tried portion by portion by the duty ``imports.try``.

    Raises ColumnsIncomplete, MoveNotAllowed, Busy, and for prices what the price lists refuse of their day.
    """
    require_run(actor, file.branch_id, file.kind)
    with transaction.atomic():
        held = hold(file)
        check_move(ImportFile.MOVES, held.state, ImportFile.State.CANCELLED, of="The import")  # not yet begun
        check_columns(held)
        with transaction.atomic():
            prepare(actor, held)
            transaction.set_rollback(True)
        write(held, tried=_blank(held), try_due=True, run_by_id=actor.id)
    return _portion(actor, held) if held.rows_total <= TRIED_AT_ONCE else held


def tries_due() -> int:
    """Try the next portion of each file that waits for it; returns how many rows. Safe to run twice and at once."""
    tried = 0
    due = ImportFile.objects.everywhere("the duty of imports").filter(try_due=True).order_by("id")
    for file in due.select_related("branch", "run_by"):
        before = _progress(file)["tried_rows"]
        try:
            tried += max(0, _progress(_portion(runner_of(file), file))["tried_rows"] - before)
        except Busy:
            continue
        except DomainError as error:  # the price list could be opened when the dry run was asked for, and cannot now
            _keep(file, tried=None, try_due=False, stopped_because=f"The dry run stopped: {error.detail}"[:300])
    return tried


def _blank(file: ImportFile) -> dict[str, Any]:
    counts = dict.fromkeys(_COUNTED.values(), 0)
    return {"rows": file.rows_total, "tried_rows": 0, **counts, "problems": [], "problems_left_out": 0}


def _progress(file: ImportFile) -> dict[str, Any]:
    return {**(file.tried or _blank(file))}


def _portion(actor: Actor, file: ImportFile) -> ImportFile:
    """Try the next rows and add to the answer what they would do."""
    rows = read(bytes(file.content), encoding=file.encoding, delimiter=file.delimiter).rows
    answer = _progress(file)
    portion = rows[answer["tried_rows"] :][:TRIED_AT_ONCE]
    told: list[dict[str, Any]] = []
    with transaction.atomic():
        file.price_list = None
        prepare(actor, file)
        for number, cells in portion:
            outcome = _outcome(Job(actor, file.branch, file, number), cells)
            answer[_COUNTED[outcome.state]] += 1
            told += [{"row": number, "state": outcome.state, **each} for each in outcome.problems]
        transaction.set_rollback(True)
    room = MOST_TOLD - len(answer["problems"])
    answer["problems"] = answer["problems"] + told[:room]
    answer["problems_left_out"] += len(told[room:])
    answer["tried_rows"] += len(portion)
    answer["tried_at"] = clock.now().isoformat()
    return _keep(file, tried=answer, try_due=answer["tried_rows"] < len(rows))


def _keep(file: ImportFile, **values: Any) -> ImportFile:
    """Write what was found, unless the file was changed or tried by somebody else in the meantime."""
    with transaction.atomic():
        held = hold(file)
        if held.version == file.version:
            write(held, **values)
    return held


def _outcome(job: Job, cells: list[str]) -> Outcome:
    try:
        return row_take_over(job, cells)
    except Busy:
        raise
    except Exception:
        log.exception("row %s of import %s failed in a dry run", job.row, job.file.id)
        return Outcome(FAILED, "", None, said(job.file, [Problem("", Unforeseen, "It was logged.")]))
