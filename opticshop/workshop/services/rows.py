"""What every write of the workshop does: lock the job, check and make a move, look at the steps, record the event."""

from __future__ import annotations

from typing import Any

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, MoveNotAllowed
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from .. import selectors
from ..models import JOB_MOVES, Job, JobState, JobStep


class NotOnTheBench(Conflict):
    """The job is in a state in which this work cannot be done; says what can."""

    code = "workshop.not_on_the_bench"
    title = "This job is not on the bench for that"


class StepOutOfOrder(Conflict):
    """Steps are taken in their order; names the one that is next."""

    code = "workshop.step_out_of_order"
    title = "Another step comes first"


def locked(job: Job) -> Job:
    """The job as it stands, locked until the transaction ends."""
    rows = Job.objects.everywhere("by key, authorised by the caller").filter(id=job.id)
    [row] = lock_rows(rows.select_related("branch", "order", "holder", "bench"))
    return row


def write(job: Job, **values: Any) -> None:
    """Set columns of a locked job and give it a new version."""
    for name, value in values.items():
        setattr(job, name, value)
    job.version += 1
    job.save(update_fields=[*values, "version"])


def move(job: Job, state: JobState, **values: Any) -> None:
    """Make a move of the table. Raises MoveNotAllowed, naming the moves that are allowed."""
    check_move(JOB_MOVES, job.state, state, of=f"Job {job.number}")
    write(job, state=state, **values)


def not_allowed(job: Job, what: str) -> MoveNotAllowed:
    """For what the table alone does not refuse; names the moves that are allowed."""
    allowed = sorted(map(str, JOB_MOVES[job.state]))
    return MoveNotAllowed(f"Job {job.number} is {job.state}; it cannot {what}.", field="state", allowed=allowed)


def current_step(job: Job, kind: str) -> JobStep:
    """The step of that kind, if it is the one to be worked on now and the job is in the state for it.

    Raises StepOutOfOrder naming the next step, NotOnTheBench naming what can be done.
    """
    step = selectors.next_step(job.steps.all())
    if step is not None and step.kind != kind:
        raise StepOutOfOrder(
            f"The next step of job {job.number} is {step.kind}; {kind} is not.", field="kind", allowed=[step.kind]
        )
    if step is None or job.state != selectors.wanted_state(kind):
        raise not_on_the_bench(job)
    return step


def not_on_the_bench(job: Job) -> NotOnTheBench:
    coming = selectors.what_next(job)
    return NotOnTheBench(
        f"Job {job.number} is {job.state}. {coming.words}", field="state", allowed=list(coming.requests)
    )


def reset_from(job: Job, kind: str, why: str) -> None:
    """Put a step and all that follow it back to pending; those that had been begun say why in their note."""
    steps = list(job.steps.all())
    start = next(step.position for step in steps if step.kind == kind)
    for step in steps:
        if step.position < start or step.state == JobStep.State.PENDING:
            continue
        step.state, step.note = JobStep.State.PENDING, f"Again: {why}"[:500]
        step.started_at = step.started_by = step.done_at = step.by = None
        step.save(update_fields=["state", "note", "started_at", "started_by", "done_at", "by"])


def record(event_type: str, job: Job, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"jobs/{job.id}",
        actor=actor,
        branch_id=job.branch_id,
        data={
            "job": str(job.id),
            "number": job.number,
            "order": str(job.order_id),
            "attempt": job.attempt,
            **more,
        },
    )
