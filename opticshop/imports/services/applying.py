"""Taking the rows of running files over, a few at a time.

A file is held while some of its rows are applied, so its rows go over in their order however many workers there are,
and a stop takes hold between two portions. Effect, event and state of a row are one transaction: after a crash it is
either done and says so, or pending and untouched.
"""

from __future__ import annotations

import logging
import uuid
from collections import Counter

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Busy, Forbidden, NotFound
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet

from .. import events
from ..kinds import Job, Problem
from ..models import ImportFile, ImportRow
from ..row_problems import Unforeseen
from .files import record, stop, write
from .problems import require_run, runner_of
from .rows import FAILED, Outcome, row_take_over, said

log = logging.getLogger("opticshop.imports")

AT_ONCE = 25
MOST_ATTEMPTS = 3
_ROWS = "rows of a file, which is held"


def imports_apply(most: int = 500) -> int:
    """Apply rows of running files, oldest file first; returns how many. Safe to run twice and at once."""
    handled = 0
    running = ImportFile.objects.everywhere("the duty of imports").filter(state=ImportFile.State.RUNNING)
    for file_id in list(running.order_by("id").values_list("id", flat=True)):
        while handled < most:
            try:
                settled, more = chunk_apply(file_id)
            except Busy:
                break
            handled += settled
            if not more:
                break
    return handled


def chunk_apply(file_id: uuid.UUID, most: int = AT_ONCE) -> tuple[int, bool]:
    """Apply the next rows of a file: how many were settled, and whether to go on at once. Raises Busy.

    What nobody foresaw leaves its row pending for a later time, and failed after MOST_ATTEMPTS.
    """
    with transaction.atomic():
        rows = ImportFile.objects.everywhere("the duty of imports").filter(id=file_id, state=ImportFile.State.RUNNING)
        held = lock_rows(rows.select_related("branch", "run_by").defer("content", "preview", "tried"))
        if not held:
            return 0, False
        [file] = held
        actor = runner_of(file)
        try:
            require_run(actor, file.branch_id, file.kind)
        except (Forbidden, NotFound) as error:
            stop(file, actor, f"{actor.label} may not do this any more: {error.detail}")
            return 0, False
        settled = 0
        for row in _pending(file)[:most]:
            if not _settle(actor, file, row):
                return settled, False
            settled += 1
        if not _pending(file).exists():
            _finish(file, actor)
            return settled, False
    return settled, True


def _settle(actor: Actor, file: ImportFile, row: ImportRow) -> bool:
    """Apply a row and write its state; False where it must wait."""
    try:
        outcome = row_take_over(Job(actor, file.branch, file, row.number), row.cells)
    except Busy:
        return False
    except Exception:  # nobody foresaw it; one poisonous row must not hold up the others for ever
        log.exception("row %s of import %s failed", row.number, file.id)
        row.attempts += 1
        if row.attempts < MOST_ATTEMPTS:
            row.save(update_fields=["attempts"])
            return False
        outcome = Outcome(FAILED, "", None, said(file, [_unforeseen(row.attempts)]))
    row.state, row.problems, row.external_id = outcome.state, outcome.problems, outcome.external_id
    row.settled_at = clock.now()
    if outcome.made is not None:
        row.made_type, row.made_id = outcome.made.type, outcome.made.id
    if outcome.state != FAILED:
        row.cells = []
    row.save()
    return True


def _unforeseen(attempts: int) -> Problem:
    return Problem("", Unforeseen, f"Something failed here; the row was tried {attempts} times.")


def _pending(file: ImportFile) -> BranchQuerySet[ImportRow]:
    rows = ImportRow.objects.everywhere(_ROWS).filter(file=file, state=ImportRow.State.PENDING)
    return rows.order_by("number")


def _finish(file: ImportFile, actor: Actor) -> None:
    states = ImportRow.objects.everywhere(_ROWS).filter(file=file).values_list("state", flat=True)
    counts = Counter(states.iterator())
    write(file, state=ImportFile.State.DONE, ended_at=clock.now(), content=b"", preview=[])
    record(events.IMPORT_FINISHED, file, actor, **{str(state): counts[state] for state in sorted(counts)})
