"""The dry run: every row goes the way it would go, and all of it is rolled back.

Rows are tried in portions, each in a transaction of its own, so that a long file does not hold others up for long; what
depends on a row of an earlier portion is seen only when the file runs.
"""

from __future__ import annotations

import logging
from collections import Counter
from typing import Any

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Busy
from opticshop.core.states import check_move

from ..kinds import Job, Problem
from ..models import ImportFile
from ..reading import read
from .files import check_columns, hold, prepare, write
from .problems import require_run, runner_of
from .rows import DONE, FAILED, SKIPPED, Outcome, row_take_over, said

log = logging.getLogger("opticshop.imports")

#: Rows that are tried within the request; a longer file is tried by the duty.
TRIED_AT_ONCE = 1000
MOST_TOLD = 500


def import_try(*, actor: Actor, file: ImportFile) -> ImportFile:
    """Say what a run would do. A file of many rows is tried later, by the duty ``imports.try``.

    Raises ColumnsIncomplete, MoveNotAllowed, Busy.
    """
    require_run(actor, file.branch_id, file.kind)
    with transaction.atomic():
        held = hold(file)
        check_move(ImportFile.MOVES, held.state, ImportFile.State.CANCELLED, of="The import")  # not yet begun
        check_columns(held)
        if held.rows_total > TRIED_AT_ONCE:
            write(held, tried=None, try_due=True, run_by_id=actor.id)
            return held
    return _keep(held, _tried(actor, held))


def tries_due() -> int:
    """Try the files that were too long for a request; returns how many rows were tried."""
    tried = 0
    due = ImportFile.objects.everywhere("the duty of imports").filter(try_due=True).order_by("id")
    for file in due.select_related("branch", "run_by"):
        try:
            tried += file.rows_total
            _keep(file, _tried(runner_of(file), file))
        except Busy:
            continue
    return tried


def _keep(file: ImportFile, answer: dict[str, Any]) -> ImportFile:
    """Write the answer, unless the file is read otherwise by now."""
    with transaction.atomic():
        held = hold(file)
        if held.version == file.version:
            write(held, tried=answer, try_due=False)
    return held


def _tried(actor: Actor, file: ImportFile) -> dict[str, Any]:
    rows = read(bytes(file.content), encoding=file.encoding, delimiter=file.delimiter).rows
    counts: Counter[str] = Counter()
    problems: list[dict[str, Any]] = []
    for start in range(0, len(rows), TRIED_AT_ONCE):
        with transaction.atomic():
            file.price_list = None
            prepare(actor, file)
            for number, cells in rows[start : start + TRIED_AT_ONCE]:
                outcome = _outcome(Job(actor, file.branch, file, number), cells)
                counts[outcome.state] += 1
                problems += [{"row": number, "state": outcome.state, **each} for each in outcome.problems]
            transaction.set_rollback(True)
    file.price_list = None
    return {
        "rows": len(rows),
        "would_take_over": counts[DONE],
        "would_skip": counts[SKIPPED],
        "would_fail": counts[FAILED],
        "problems": problems[:MOST_TOLD],
        "problems_left_out": max(0, len(problems) - MOST_TOLD),
        "tried_at": clock.now().isoformat(),
    }


def _outcome(job: Job, cells: list[str]) -> Outcome:
    try:
        return row_take_over(job, cells)
    except Busy:
        raise
    except Exception:
        log.exception("row %s of import %s failed in a dry run", job.row, job.file.id)
        told = Problem("", "imports.unforeseen", "Something failed here; it was logged.")
        return Outcome(FAILED, "", None, said(job.file, [told]))
