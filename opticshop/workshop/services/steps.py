"""The steps of the bench: taken strictly in order, with who and when."""

from __future__ import annotations

import datetime as dt

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.orders import services as orders
from opticshop.orders.models import Order, OrderState

from .. import events, selectors
from ..models import CUTTING, SKIPPABLE, Job, JobState, JobStep, StepKind
from ..permissions import WorkshopPermission
from .holding import IN_NOBODYS_HAND, take_in_hand
from .rows import current_step, locked, move, record, write

#: How long a step can be taken back after it was closed (a wrong tray, a wrong key).
UNDO_WITHIN = dt.timedelta(minutes=15)


class StepAlreadyStarted(Conflict):
    """The step is being worked on already."""

    code = "workshop.step_already_started"
    title = "This step was started before"


class StepNotStarted(Conflict):
    """A step is started before it is finished, so that the record says when."""

    code = "workshop.step_not_started"
    title = "Start this step first"


class StepCannotBeSkipped(Conflict):
    """Only some steps can be left out; names them."""

    code = "workshop.step_cannot_be_skipped"
    title = "This step is never left out"


class SkipUnexplained(Invalid):
    """A step is left out only for a stated reason."""

    code = "workshop.skip_unexplained"
    title = "Say why the step is left out"


class LensesNotVerified(Conflict):
    """Lenses are cut only after each has a passing reading; names the eyes without one."""

    code = "workshop.lenses_not_verified"
    title = "A lens has no passing reading"


class OrderCalledOff(Conflict):
    """The order was cancelled; its lenses go back to the drawer and nothing more is cut or packed for it."""

    code = "workshop.order_called_off"
    title = "This order was called off"


class NothingToUndo(Conflict):
    """No step was closed, the next one has been begun, or it was the inspection or the packing."""

    code = "workshop.nothing_to_undo"
    title = "There is no step to undo"


class UndoTooLate(Conflict):
    """A step is undone shortly after it was closed; later the job is stopped instead."""

    code = "workshop.undo_too_late"
    title = "It is too late to undo this step"


class UndoByAnother(Conflict):
    """A step is undone by the one who closed it."""

    code = "workshop.undo_by_another"
    title = "Somebody else closed this step"


class InspectionNeeded(Conflict):
    """The inspection step is closed by a passed inspection and by nothing else."""

    code = "workshop.inspection_needed"
    title = "Record an inspection instead"


def step_start(*, actor: Actor, job: Job, kind: str, note: str = "") -> JobStep:
    """Begin a step: the first that is neither done nor skipped, and no other."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        if kind in CUTTING:
            order_lock(job)
        job = locked(job)
        step = current_step(job, kind)
        if step.state == JobStep.State.STARTED:
            raise StepAlreadyStarted(f"{step.started_by or 'Somebody'} started {kind} before.", field="kind")
        held = take_in_hand(job, actor)
        step_begin(step, actor, note)
        write(job, **held, **({"cut_eyes": job.eyes} if kind in CUTTING else {}))
        record(events.STEP_STARTED, job, actor, step=kind)
    return step


def step_finish(*, actor: Actor, job: Job, kind: str, note: str = "") -> JobStep:
    """End a step that was started. Packing ends the job and makes the order ready for collection."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        if kind == StepKind.PACK:
            order_lock(job)
        job = locked(job)
        step = current_step(job, kind)
        _check_finish(job, step)
        step_end(step, JobStep.State.DONE, actor, note)
        if kind == StepKind.PACK:
            _finish(job, actor)
        else:
            write(job)
            record(events.STEP_FINISHED, job, actor, step=kind)
    return step


def step_skip(*, actor: Actor, job: Job, kind: str, note: str) -> JobStep:
    """Leave out a step that may be left out, with the reason (for instance edged by the supplier)."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    if kind not in SKIPPABLE:
        raise StepCannotBeSkipped(f"{kind} is never left out.", field="kind", allowed=sorted(map(str, SKIPPABLE)))
    if not note.strip():
        raise SkipUnexplained(field="note")
    with transaction.atomic():
        job = locked(job)
        step = current_step(job, kind)
        step_end(step, JobStep.State.SKIPPED, actor, note)
        write(job)
        record(events.STEP_SKIPPED, job, actor, step=kind, note=note)
    return step


def step_undo(*, actor: Actor, job: Job, reason: str) -> JobStep:
    """Take back the last finished or skipped step, by the one who closed it, within ``UNDO_WITHIN``, with a reason.

    A finished step is being worked on again, a skipped one is to be done. What was cut counts as cut all the same.
    Raises NothingToUndo, UndoTooLate, UndoByAnother.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        step = _last_closed(job)
        if step.by_id != actor.id:
            raise UndoByAnother(f"{step.by or 'The system'} closed {step.kind}.", field="job")
        if step.done_at is None or clock.now() - step.done_at > UNDO_WITHIN:
            minutes = int(UNDO_WITHIN.total_seconds() // 60)
            raise UndoTooLate(f"{step.kind} was closed more than {minutes} minutes ago.", field="job", allowed=["stop"])
        finished = step.state == JobStep.State.DONE
        step.state = JobStep.State.STARTED if finished else JobStep.State.PENDING
        step.done_at = step.by = None
        step.note = f"Undone: {reason}"[:500]
        step.save(update_fields=["state", "done_at", "by", "note"])
        write(job)
        record(events.STEP_UNDONE, job, actor, step=step.kind, reason=reason, state=str(step.state))
    return step


def order_lock(job: Job) -> None:
    """Lock the order before its job, as calling it off does. Raises OrderCalledOff."""
    [order] = lock_rows(Order.objects.everywhere("of the job, authorised by the caller").filter(id=job.order_id))
    if order.state == OrderState.CANCELLED:
        raise OrderCalledOff(f"Order {order.number} was called off: {order.cancelled_reason}", field="order")


def step_begin(step: JobStep, actor: Actor, note: str = "") -> None:
    step.state, step.started_at, step.started_by_id = JobStep.State.STARTED, clock.now(), actor.id
    step.note = note or step.note
    step.save(update_fields=["state", "started_at", "started_by", "note"])


def step_end(step: JobStep, state: JobStep.State, actor: Actor, note: str = "") -> None:
    step.state, step.done_at, step.by_id = state, clock.now(), actor.id
    step.note = note or step.note
    step.save(update_fields=["state", "done_at", "by", "note"])


def _last_closed(job: Job) -> JobStep:
    """The step that was closed last, if nothing has come of it yet."""
    steps = list(job.steps.select_related("by"))
    coming = selectors.next_step(steps)
    closed = [step for step in steps if coming is not None and step.position < coming.position]
    if job.state not in (JobState.OPEN, JobState.INSPECTED) or coming is None or not closed:
        raise NothingToUndo(f"Job {job.number} is {job.state}; no step of it can be undone.", field="job")
    last = closed[-1]
    if coming.state != JobStep.State.PENDING:
        raise NothingToUndo(f"{coming.kind} has been begun since {last.kind}.", field="job", allowed=["stop"])
    if last.kind == StepKind.INSPECT:
        raise NothingToUndo("An inspection is not undone: stop the job instead.", field="job", allowed=["stop"])
    return last


def _check_finish(job: Job, step: JobStep) -> None:
    if step.kind == StepKind.INSPECT:
        raise InspectionNeeded(
            f"Record the inspection of job {job.number}; a pass closes this step.", allowed=["inspections"]
        )
    if step.state != JobStep.State.STARTED:
        raise StepNotStarted(f"{step.kind} was not started.", field="kind", allowed=[f"steps/{step.kind}/start"])
    if step.kind == StepKind.VERIFY and (missing := selectors.lenses_to_verify(job)):
        raise LensesNotVerified(
            f"No passing reading of the {' and the '.join(missing)} lens on the bench.",
            field="eye",
            allowed=["verify"],
            eyes=missing,
        )


def _finish(job: Job, actor: Actor) -> None:
    move(job, JobState.FINISHED, finished_at=clock.now(), **IN_NOBODYS_HAND)
    orders.order_mark_ready(actor=actor, order=job.order)
    record(events.JOB_FINISHED, job, actor)
