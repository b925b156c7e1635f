"""A frame lost on the bench: written off with its cause, and another one reserved or waited for."""

from __future__ import annotations

from django.db import transaction

from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.orders.causes import bearer_of
from opticshop.orders.selectors import document_of, held_parts
from opticshop.stock import selectors as stock_selectors
from opticshop.stock import services as stock

from .. import events, selectors
from ..models import Breakage, Job, JobState, JobStep, StepKind
from ..permissions import WorkshopPermission
from .rows import locked, move, not_on_the_bench, record, reset_from, write

FRAME = "frame"


class NoFrameAwaited(Conflict):
    """No frame is awaited for the job."""

    code = "workshop.no_frame_awaited"
    title = "No frame is awaited"


class FrameNotThere(Conflict):
    """The frame of the job is awaited, so it cannot be lost."""

    code = "workshop.frame_not_there"
    title = "The frame is not there yet"


def frame_break(
    *, actor: Actor, job: Job, step: str, reason: str, cause: str = "frame_snapped", borne_by: str = ""
) -> Breakage:
    """Write off a frame lost on the bench and reserve another of the same in the same transaction.

    With no other the job waits. The customer's own frame is in no stock: the job stops, so that the customer is asked.
    Lenses that were cut are tried in the new frame, so the work goes on at glazing, else at tracing.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if job.state not in (JobState.OPEN, JobState.STOPPED, JobState.INSPECTED):
            raise not_on_the_bench(job)
        if job.awaits_frame:
            raise FrameNotThere(f"The frame of job {job.number} is awaited.", field="job", allowed=["frame-arrived"])
        order, why = job.order, f"frame lost at {step}: {reason}"
        own, cost = order.frame_is_customers, None
        replaced = False
        if not own:
            cost = selectors.cost_of(order, FRAME)
            branch = held_parts(order).get(FRAME, job.branch)
            stock.stock_write_off(actor=actor, branch=branch, document=document_of(order), part=FRAME, reason=why[:200])
            replaced = _frame_reserve(actor, job)
        found = Breakage.objects.create(
            job=job,
            eye=FRAME,
            step=step,
            cause=cause,
            borne_by=bearer_of(cause, borne_by),
            reason=reason,
            replaced=replaced,
            cost=cost.unit_cost if cost else None,
            currency=order.currency if cost else "",
            by_id=actor.id,
        )
        _redo(job, StepKind.GLAZE if job.cut_eyes else StepKind.TRACE, why)
        _settle(job, own=own, replaced=replaced, why=why)
        record(
            events.FRAME_BROKEN,
            job,
            actor,
            breakage=str(found.id),
            step=step,
            cause=cause,
            reason=reason,
            replaced=replaced,
            state=job.state,
        )
    found.job = job
    return found


def frame_arrived(*, actor: Actor, job: Job) -> Job:
    """The awaited frame is there: it is reserved now. Raises OutOfStock until it has been received."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if not job.awaits_frame:
            raise NoFrameAwaited(f"Job {job.number} is {job.state} and awaits no frame.", field="state")
        if not _frame_reserve(actor, job):
            raise stock.OutOfStock(f"{job.order.frame} is not in stock at {job.branch.code}.", field="frame")
        opens = job.state == JobState.WAITING and not job.awaited_eyes
        if opens:
            move(job, JobState.OPEN, awaits_frame=False)
        else:
            write(job, awaits_frame=False)
        record(events.FRAME_ARRIVED, job, actor, state=job.state)
    return job


def _settle(job: Job, *, own: bool, replaced: bool, why: str) -> None:
    """Where the job stands after its frame was lost."""
    reason = why[:1].upper() + why[1:]
    if own:
        words = f"The customer's own {reason[:1].lower()}{reason[1:]}. Ask the customer."
        if job.state == JobState.STOPPED:
            write(job, stop_reason=words[:500])
        else:
            move(job, JobState.STOPPED, stop_reason=words[:500])
    elif job.state == JobState.INSPECTED:
        move(job, JobState.STOPPED, stop_reason=reason[:500], awaits_frame=not replaced)
    elif job.state == JobState.OPEN and not replaced:
        move(job, JobState.WAITING, awaits_frame=True)
    else:
        write(job, awaits_frame=not replaced)


def _redo(job: Job, kind: StepKind, why: str) -> None:
    """Begin again from a step if the work has come that far; earlier steps stay as they are."""
    at = selectors.next_step(job.steps.all())
    begun = {step.kind: step for step in job.steps.all() if step.state != JobStep.State.PENDING}
    if kind in begun or at is None:
        reset_from(job, kind, why)


def _frame_reserve(actor: Actor, job: Job) -> bool:
    item = stock_selectors.frame_item(job.order.frame)
    if item is None:
        return False
    try:
        with transaction.atomic():
            stock.stock_reserve(actor=actor, branch=job.branch, item=item, document=document_of(job.order), part=FRAME)
    except stock.OutOfStock:
        return False
    return True
