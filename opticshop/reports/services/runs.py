"""Reports as jobs: asked for, made by a duty, fetched by who asked, gone when their time is over.

A worker holds a run by a conditional update of its row; one that died is taken over when that has run out. What is
written at the end is written only by who still holds it, so a run is made once however many workers there are.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import logging
import uuid
from typing import Any

from django.db import transaction
from django.db.models import F, Q

from opticshop.accounts.access import actor_for
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor, system
from opticshop.core.errors import Conflict, DomainError

from .. import events
from ..asking import Asked, Compare, asked_for
from ..files import refuse_format, steps_of, written
from ..models import ReportRun

log = logging.getLogger("opticshop.reports")

KEPT = dt.timedelta(days=7)
#: How long a worker may be away from a run before another takes it over; longer than the duty may take.
HOLD = dt.timedelta(minutes=12)
MOST_ATTEMPTS = 3
#: The largest file that is kept.
MOST_BYTES = 32 * 1024 * 1024
SYSTEM = system("reports")
State = ReportRun.State


class FileNotThere(Conflict):
    """The run is not done yet, failed, or its file was let go because its time is over: ``state`` says which."""

    code = "reports.file_not_there"
    title = "There is no file of this run"


def run_ask(*, actor: Actor, asked: Asked, compare: Compare | None, kind: str) -> ReportRun:
    """Write down what is asked for; the duty ``reports.make`` makes it. Raises FormatNotOffered."""
    assert actor.id is not None, "a run belongs to somebody"
    return run_write(actor=actor, owner_id=actor.id, asked=asked, compare=compare or "", kind=kind)


def run_write(*, actor: Actor, owner_id: uuid.UUID, asked: Asked, compare: str, kind: str) -> ReportRun:
    """A run for a person, whoever asks for it: what it shows is what that person may see. Raises FormatNotOffered."""
    refuse_format(asked.report, kind)
    with transaction.atomic():
        run = ReportRun.objects.create(
            asked_by_id=owner_id,
            report=asked.report.key,
            since=asked.scope.since,
            until=asked.scope.until,
            by=asked.scope.by,
            compare=compare,
            format=kind,
            steps=steps_of(asked, kind),
        )
        run.branches.set(asked.scope.branches)
        _tell(events.RUN_ASKED, actor, run)
    return run


def run_file(*, actor: Actor, run: ReportRun) -> bytes:
    """The file, for who asked and still may see the report of all its branches.

    Raises FileNotThere, Forbidden, NotFound.
    """
    _asked(actor, run)
    content = ReportRun.objects.filter(id=run.id, state=State.DONE, expires_at__gt=clock.now()).values_list(
        "content", flat=True
    )
    found = content.first()
    if found is None:
        raise FileNotThere(f"The run is {run.state}.", state=run.state)
    return bytes(found)


def runs_make() -> int:
    """Make the runs that wait; returns how many were ended. Safe to run twice and at once."""
    ended = 0
    now = clock.now()
    free = Q(held_until__isnull=True) | Q(held_until__lte=now)
    for run in ReportRun.objects.filter(free, state=State.WAITING).order_by("id").defer("content"):
        hold = clock.now() + HOLD
        held = ReportRun.objects.filter(free, id=run.id, state=State.WAITING)
        if held.update(held_until=hold, attempts=F("attempts") + 1, steps_done=0):
            run.attempts, run.held_until = run.attempts + 1, hold
            ended += _made(run)
    return ended


def runs_expire() -> int:
    """Let go of files whose time is over."""
    over = ReportRun.objects.filter(state=State.DONE, expires_at__lte=clock.now())
    return over.update(state=State.EXPIRED, content=None)


def _made(run: ReportRun) -> int:
    """Make one run that is held; 1 where it ended, 0 where it is tried again or somebody else has it."""
    if run.attempts > MOST_ATTEMPTS:
        return _end(run, events.RUN_FAILED, state=State.FAILED, last_error="It was begun three times and not ended.")
    try:
        asked = _asked(actor_for(run.asked_by, None if run.asked_by.is_active else ()), run)
        content, rows = written(asked, run.format, lambda: _step(run))
    except DomainError as error:  # a permission that is gone, for instance: to try again would not help
        return _end(run, events.RUN_FAILED, state=State.FAILED, last_error=error.detail[:300])
    except Exception as error:
        log.exception("report run %s failed", run.id)
        if run.attempts < MOST_ATTEMPTS:
            _held(run).update(held_until=None, last_error=type(error).__name__)
            return 0
        return _end(run, events.RUN_FAILED, state=State.FAILED, last_error=type(error).__name__)
    if len(content) > MOST_BYTES:
        words = f"The file has more than {MOST_BYTES} bytes: ask for a shorter period or fewer branches."
        return _end(run, events.RUN_FAILED, state=State.FAILED, last_error=words)
    return _end(
        run,
        events.RUN_DONE,
        state=State.DONE,
        content=content,
        size=len(content),
        sha256=hashlib.sha256(content).hexdigest(),
        rows=rows,
        steps_done=run.steps,
        expires_at=clock.now() + KEPT,
        last_error="",
    )


def _asked(actor: Actor, run: ReportRun) -> Asked:
    """What the run asks for, with what the actor may do now."""
    compare: Any = run.compare or None
    branches = [branch.id for branch in run.branches.all()]
    return asked_for(actor, run.report, since=run.since, until=run.until, by=run.by, branches=branches, compare=compare)


def _held(run: ReportRun) -> Any:
    return ReportRun.objects.filter(id=run.id, state=State.WAITING, held_until=run.held_until, attempts=run.attempts)


def _step(run: ReportRun) -> None:
    """One part more is reckoned; the last step is the file. What is read again, because the copy broke off, is none."""
    _held(run).filter(steps_done__lt=F("steps") - 1).update(steps_done=F("steps_done") + 1)


def _end(run: ReportRun, event: str, **values: Any) -> int:
    with transaction.atomic():
        ended = _held(run).update(ended_at=clock.now(), held_until=None, **values)
        if ended:
            _tell(event, SYSTEM, run)
    return int(ended)


def _tell(event: str, actor: Actor, run: ReportRun) -> None:
    data = {"run": str(run.id), "report": run.report}
    outbox.record(event_type=event, subject=f"report_run:{run.id}", actor=actor, branch_id=None, data=data)
