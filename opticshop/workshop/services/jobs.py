"""The life of a job: opened for an order, stopped and resumed, inspected or rejected, given up, made again."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.core.scoping import BranchQuerySet
from opticshop.orders import services as orders
from opticshop.orders.causes import bearer_of
from opticshop.orders.models import Order, OrderedLens, OrderState
from opticshop.orders.selectors import held_parts
from opticshop.stock import services as stock

from .. import events, selectors
from ..models import ORDINARY_STEPS, Job, JobState, JobStep, StepKind
from ..permissions import WorkshopPermission
from .holding import IN_NOBODYS_HAND
from .lenses import EyeNotInJob, cut_eyes_of, lens_renew
from .rows import current_step, locked, move, not_allowed, record, reset_from, write
from .steps import step_begin, step_end


class JobStillLive(Conflict):
    """An order is made by one job at a time; names the one that is not finished."""

    code = "workshop.job_still_live"
    title = "The former job is not finished"


class NothingToRemake(Conflict):
    """The order has no finished or cancelled job yet; its first job opens by itself when it is placed."""

    code = "workshop.nothing_to_remake"
    title = "There is nothing to make again"


class RemakeUnexplained(Invalid):
    """A further attempt needs the reason why the pair is made again."""

    code = "workshop.remake_unexplained"
    title = "Say why the pair is made again"


class RedoFromUnknown(Invalid):
    """A rejected pair goes back to a step up to the inspection itself."""

    code = "workshop.redo_from_unknown"
    title = "The work cannot go back to this step"


def job_open(
    *,
    actor: Actor,
    order: Order,
    remake_reason: str = "",
    eyes: Sequence[str] | None = None,
    cause: str = "other",
    borne_by: str = "",
    branch: Branch | None = None,
) -> Job:
    """Open the first job of an order, or the next attempt at it once the former job is finished or cancelled.

    The first job uses the lenses reserved with the order. A remake (of both lenses, or of the eyes named) writes off
    the lenses it replaces and reserves fresh ones. A lens that is made to order or not in stock is awaited.

    A remake may be made at another branch, from that branch's stock; the actor works at both. The frame stays in the
    stock it came from, and the order stays with its branch, which hands the pair over.
    """
    branch = branch or order.branch
    actor.require(WorkshopPermission.WORK, order.branch_id)
    actor.require(WorkshopPermission.WORK, branch.id)
    with transaction.atomic():
        [order] = lock_rows(_orders().filter(id=order.id).select_related("branch"))
        former = selectors.latest_job(order)
        lenses = _lenses_to_make(order, eyes)
        _check_attempt(order, former, remake_reason)
        if former is None and branch.id != order.branch_id:
            raise NothingToRemake("The first job of an order is made at its own branch.", field="branch")
        job = Job(
            branch=branch,
            number=number_next(branch=branch, kind=Series.JOB),
            order=order,
            attempt=former.attempt + 1 if former else 1,
            eyes=[lens.eye for lens in lenses],
            remake_reason=remake_reason,
            promised_on=order.promised_on,
        )
        if former is None:
            job.awaited_eyes = [lens.eye for lens in lenses if lens.is_special_order]
        else:
            cut = cut_eyes_of(order)
            job.remake_cause, job.remake_borne_by = cause, bearer_of(cause, borne_by)
            job.remake_cost = _cost(order, lenses, cut)
            job.awaited_eyes = [lens.eye for lens in lenses if not _fresh_lens(actor, job, former, lens, cut)]
        job.state = JobState.WAITING if job.awaited_eyes else JobState.OPEN
        job.save(force_insert=True)
        JobStep.objects.bulk_create(
            JobStep(job=job, position=position, kind=kind) for position, kind in enumerate(ORDINARY_STEPS, start=1)
        )
        if order.state != OrderState.IN_WORKSHOP:
            orders.order_enter_workshop(actor=actor, order=order)
        record(
            events.JOB_OPENED,
            job,
            actor,
            state=job.state,
            eyes=job.eyes,
            remake_reason=remake_reason,
            remake_cause=job.remake_cause,
            borne_by=job.remake_borne_by,
            branch=str(branch.id),
        )
    return job


def job_stop(*, actor: Actor, job: Job, reason: str) -> Job:
    """Take a job off the bench with a reason. A pair that had been inspected is inspected again later."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        was_inspected = job.state == JobState.INSPECTED
        move(job, JobState.STOPPED, stop_reason=reason)
        if was_inspected:
            reset_from(job, StepKind.INSPECT, reason)
        record(events.JOB_STOPPED, job, actor, reason=reason, redo_from=None)
    return job


def job_hold_back(*, actor: Actor, job: Job, reason: str) -> Job:
    """Stop a live job wherever it stands; one that was stopped before is stopped for this reason too."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if job.state != JobState.STOPPED:
            return job_stop(actor=actor, job=job, reason=reason)
        write(job, stop_reason=f"{reason} Before that: {job.stop_reason}"[:500])
        record(events.JOB_STOPPED, job, actor, reason=reason, redo_from=None)
    return job


def job_resume(*, actor: Actor, job: Job, note: str) -> Job:
    """Put a stopped job back on the bench; it waits instead while a lens is awaited."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if job.state != JobState.STOPPED:
            raise not_allowed(job, "be resumed: it was not stopped")
        waits = bool(job.awaited_eyes) or job.awaits_frame
        move(job, JobState.WAITING if waits else JobState.OPEN, stop_reason="")
        record(events.JOB_RESUMED, job, actor, note=note, state=job.state)
    return job


def job_cancel(*, actor: Actor, job: Job, reason: str) -> Job:
    """Give a job up. The order stays as it is: it is called off separately, or made again by a further job."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        move(job, JobState.CANCELLED, stop_reason=reason[:500], **IN_NOBODYS_HAND)
        record(events.JOB_CANCELLED, job, actor, reason=reason)
    return job


def job_promise(*, actor: Actor, job: Job) -> Job:
    """Follow the promise day of the order as it stands now: of several that are heard late, the last one counts."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        job.order.refresh_from_db(fields=["promised_on"])
        write(job, promised_on=job.order.promised_on)
        record(events.JOB_PROMISED, job, actor, promised_on=job.promised_on.isoformat())
    return job


def inspection_begin(*, actor: Actor, job: Job) -> Job:
    """The locked job, its inspection step started, for a final inspection. The caller has checked the right to inspect.

    Raises StepOutOfOrder or NotOnTheBench while the pair is not glazed or not on the bench.
    """
    with transaction.atomic():
        job = locked(job)
        step = current_step(job, StepKind.INSPECT)
        if step.state == JobStep.State.PENDING:
            step_begin(step, actor)
            write(job)
            record(events.STEP_STARTED, job, actor, step=StepKind.INSPECT.value)
    return job


def job_mark_inspected(*, actor: Actor, job: Job) -> Job:
    """The pair has passed its final inspection. The caller has checked the right to say so."""
    with transaction.atomic():
        job = locked(job)
        step = current_step(job, StepKind.INSPECT)
        step_end(step, JobStep.State.DONE, actor)
        move(job, JobState.INSPECTED, **IN_NOBODYS_HAND)
        record(events.JOB_INSPECTED, job, actor)
    return job


def job_reject(*, actor: Actor, job: Job, reason: str, redo_from: str) -> Job:
    """The pair has failed: the job stops with the reason and the work goes back to a step.

    The caller has checked the right to say so.
    """
    possible = ORDINARY_STEPS[: ORDINARY_STEPS.index(StepKind.INSPECT) + 1]
    if redo_from not in possible:
        raise RedoFromUnknown(f"{redo_from} comes after the inspection.", field="redo_from", allowed=list(possible))
    with transaction.atomic():
        job = locked(job)
        move(job, JobState.STOPPED, stop_reason=reason[:500])
        reset_from(job, redo_from, reason)
        record(events.JOB_STOPPED, job, actor, reason=reason[:500], redo_from=redo_from)
    return job


def _check_attempt(order: Order, former: Job | None, remake_reason: str) -> None:
    if former is None:
        if remake_reason:
            raise NothingToRemake(f"Order {order.number} has no job yet.", field="order")
        return
    if former.state in selectors.LIVE_STATES:
        raise JobStillLive(f"Job {former.number} is {former.state}.", field="order", job=str(former.id))
    if not remake_reason.strip():
        raise RemakeUnexplained(field="remake_reason")


def _lenses_to_make(order: Order, eyes: Sequence[str] | None) -> list[OrderedLens]:
    lenses = {lens.eye: lens for lens in order.lenses.select_related("product")}
    for eye in eyes or ():
        if eye not in lenses:
            raise EyeNotInJob(f"No {eye} lens was ordered.", field="eyes", allowed=list(lenses))
    return [lens for eye, lens in lenses.items() if not eyes or eye in eyes]


def _fresh_lens(actor: Actor, job: Job, former: Job, lens: OrderedLens, cut: set[str]) -> bool:
    """Whether an uncut lens is there for the remake, after writing off the one it replaces."""
    held = held_parts(job.order).get(lens.eye)
    document = orders.document_of(job.order)
    if lens.eye not in cut and lens.eye not in former.awaited_eyes:
        if held is None or held.id == job.branch_id:
            return True
        why = f"Made at {job.branch.code}: {job.remake_reason}"[:200]
        stock.stock_release(actor=actor, branch=held, document=document, part=lens.eye, reason=why)
    elif held is not None:
        why = f"Made again: {job.remake_reason}"[:200]
        stock.stock_write_off(actor=actor, branch=held, document=document, part=lens.eye, reason=why)
    return lens_renew(actor, job, lens)


def _cost(order: Order, lenses: Sequence[OrderedLens], cut: set[str]) -> Decimal | None:
    """What the lenses to be made again cost, as far as they came from stock and were cut."""
    lots = [selectors.cost_of(order, lens.eye) for lens in lenses if lens.eye in cut and not lens.is_special_order]
    known = [lot.unit_cost for lot in lots if lot is not None]
    return sum(known, Decimal(0)) if known else None


def _orders() -> BranchQuerySet[Order]:
    return Order.objects.everywhere("by key, authorised by the caller")
