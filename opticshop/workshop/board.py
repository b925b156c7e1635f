"""The jobs board of a branch: what is to be done now, in columns by the step that is next, most pressing first.

Everything on it is read from rows in a fixed number of queries; "late" is computed from the promise and the branch's
day, never typed in. A board shows at most ``LARGEST`` jobs and says when there are more.
"""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet

from . import selectors
from .models import ORDINARY_STEPS, Job, JobState, JobStep, StepKind

LARGEST = 500
WAITING, STOPPED = "waiting", "stopped"
#: Columns in the order of the bench, what cannot be worked on first.
COLUMNS: tuple[tuple[str, str], ...] = (
    (WAITING, "Waiting for lenses or frame"),
    (STOPPED, "Stopped with a reason"),
    *((kind, str(StepKind(kind).label)) for kind in ORDINARY_STEPS),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One job on the board; ``step`` is the one that is next, where there is one."""

    job: Job
    step: JobStep | None
    is_late: bool
    days_left: int


@dataclass(frozen=True, slots=True)
class Column:
    key: str
    label: str
    rows: Sequence[Row]


@dataclass(frozen=True, slots=True)
class Board:
    branch: Branch
    day: dt.date
    columns: Sequence[Column]
    shown: int
    late: int
    due_today: int
    is_cut_short: bool


def board_of(actor: Actor, branch: Branch, *, holder: uuid.UUID | None = None, bench: uuid.UUID | None = None) -> Board:
    """The board of a branch, of one person's jobs or of one bench where that is asked."""
    day = clock.today(branch.time_zone)
    jobs: BranchQuerySet[Job] = selectors.jobs_visible_to(actor).filter(branch=branch, state__in=selectors.LIVE_STATES)
    if holder is not None:
        jobs = jobs.filter(holder_id=holder)
    if bench is not None:
        jobs = jobs.filter(bench_id=bench)
    found = list(jobs.order_by("promised_on", "id")[: LARGEST + 1])
    rows = [_row(job, day) for job in found[:LARGEST]]
    return Board(
        branch=branch,
        day=day,
        columns=[Column(key, label, _of(rows, key)) for key, label in COLUMNS],
        shown=len(rows),
        late=sum(row.is_late for row in rows),
        due_today=sum(row.days_left == 0 for row in rows),
        is_cut_short=len(found) > LARGEST,
    )


def column_of(row: Row) -> str:
    """Where a job stands: what holds it up before what is next."""
    if row.job.state == JobState.WAITING:
        return WAITING
    if row.job.state == JobState.STOPPED or row.step is None:
        return STOPPED
    return row.step.kind


def _row(job: Job, day: dt.date) -> Row:
    step = selectors.next_step(job.steps.all())
    return Row(job, step, selectors.is_late(job, day), (job.promised_on - day).days)


def _of(rows: Iterable[Row], key: str) -> list[Row]:
    return [row for row in rows if column_of(row) == key]
