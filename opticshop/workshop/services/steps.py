"""The steps of the bench: taken strictly in order, with who and when."""

from __future__ import annotations

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
from .rows import current_step, locked, move, record, write


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
        step_begin(step, actor, note)
        write(job, **({"cut_eyes": job.eyes} if kind in CUTTING else {}))
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
    move(job, JobState.FINISHED, finished_at=clock.now())
    orders.order_mark_ready(actor=actor, order=job.order)
    record(events.JOB_FINISHED, job, actor)
