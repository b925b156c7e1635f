"""Lenses on the bench: read before they are cut, written off when broken, waited for when there is no other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.instruments.models import Instrument
from opticshop.instruments.selectors import uncertainty_for
from opticshop.instruments.services import require_usable
from opticshop.orders.causes import bearer_of
from opticshop.orders.models import Order, OrderedLens
from opticshop.orders.selectors import document_of, held_parts
from opticshop.stock import selectors as stock_selectors
from opticshop.stock import services as stock

from .. import events, judging, selectors
from ..models import Breakage, Job, JobState, JobStep, LensReading, StepKind
from ..permissions import WorkshopPermission
from .holding import take_in_hand
from .rows import current_step, locked, move, not_on_the_bench, record, reset_from, write
from .steps import step_begin


class EyeNotInJob(Invalid):
    """This attempt makes no lens for that eye; names the eyes it is about."""

    code = "workshop.eye_not_in_job"
    title = "No lens is made for this eye"


class NoLensThere(Conflict):
    """The lens of that eye has not arrived, so it can be neither read nor broken."""

    code = "workshop.no_lens_there"
    title = "The lens is not there yet"


class NothingAwaited(Conflict):
    """No lens is awaited for the job."""

    code = "workshop.nothing_awaited"
    title = "No lens is awaited"


def lens_verify(
    *, actor: Actor, job: Job, eye: str, reading: judging.Reading, instrument: Instrument | None = None
) -> LensReading:
    """Read an uncut lens on the focimeter and judge it by the branch's standard for uncut lenses.

    A lens out of tolerance is no error: the reading is kept and the job stops with the reason. The first reading starts
    the verify step. An instrument that is named must be usable at the branch; with it the guard band of its uncertainty
    is kept.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        lens = _lens_there(job, eye)
        step = current_step(job, StepKind.VERIFY)
        held = {}
        if step.state == JobStep.State.PENDING:
            held = take_in_hand(job, actor)
            step_begin(step, actor)
        usable = None if instrument is None else require_usable(branch=job.branch, instrument=instrument)
        judged = judging.judge_uncut(
            branch=job.branch,
            eye=eye,
            lens=lens,
            reading=reading,
            uncertainty=None if instrument is None else uncertainty_for(instrument),
        )
        found = LensReading.objects.create(
            job=job,
            eye=eye,
            **asdict(reading),
            outcome=judged.verdict.outcome,
            standard=judged.standard,
            standard_version=judged.version,
            verdict=judged.verdict.to_dict(),
            instrument=instrument,
            instrument_flag=usable.reason[:500] if usable is not None else "",
            read_at=clock.now(),
            read_by_id=actor.id,
        )
        if judged.verdict.outcome == "fail":
            why = " ".join(judging.reasons(judged.verdict))
            why = f"Out of tolerance by {judged.verdict.standard_title}. {why}"[:500]
            move(job, JobState.STOPPED, stop_reason=why, **held)
        else:
            write(job, **held)
        record(
            events.LENS_READ,
            job,
            actor,
            reading=str(found.id),
            eye=eye,
            outcome=found.outcome,
            state=job.state,
        )
    found.job = job
    return found


def lens_break(
    *, actor: Actor, job: Job, eye: str, step: str, reason: str, cause: str = "other", borne_by: str = ""
) -> Breakage:
    """Write off a lens lost on the bench and reserve another one in the same transaction.

    Everything from verifying on is done again. With no other lens there an open job waits; a job that was stopped or
    inspected stands stopped until it is resumed.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if job.state not in (JobState.OPEN, JobState.STOPPED, JobState.INSPECTED):
            raise not_on_the_bench(job)
        lens = _lens_there(job, eye)
        why = f"{eye} lens lost at {step}: {reason}"
        cost = None if lens.is_special_order else selectors.cost_of(job.order, eye)
        replaced = _replace(actor, job, lens, why)
        found = Breakage.objects.create(
            job=job,
            eye=eye,
            step=step,
            cause=cause,
            borne_by=bearer_of(cause, borne_by or ("workshop" if cause == "other" else "")),
            reason=reason,
            replaced=replaced,
            cost=cost.unit_cost if cost else None,
            currency=job.order.currency if cost else "",
            by_id=actor.id,
        )
        job.readings.filter(eye=eye).update(of_current_lens=False)
        reset_from(job, StepKind.VERIFY, why)
        awaited = job.awaited_eyes if replaced else [*job.awaited_eyes, eye]
        lenses = {"awaited_eyes": awaited, "cut_eyes": [other for other in job.cut_eyes if other != eye]}
        if job.state == JobState.INSPECTED:
            move(job, JobState.STOPPED, stop_reason=why[:1].upper() + why[1:], **lenses)
        elif job.state == JobState.OPEN and awaited:
            move(job, JobState.WAITING, **lenses)
        else:
            write(job, **lenses)
        record(
            events.LENS_BROKEN,
            job,
            actor,
            breakage=str(found.id),
            eye=eye,
            step=step,
            cause=found.cause,
            borne_by=found.borne_by,
            reason=reason,
            replaced=replaced,
            state=job.state,
        )
    found.job = job
    return found


def lenses_arrived(*, actor: Actor, job: Job, eyes: Sequence[str] | None = None) -> Job:
    """Awaited lenses are there (all of them unless eyes are named); with the last one the job opens.

    A lens made to order is taken as delivered. One that comes from stock is reserved now: raises OutOfStock until it
    has been received.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if not job.awaited_eyes:
            raise NothingAwaited(f"Job {job.number} is {job.state} and awaits no lens.", field="state")
        arrived = list(eyes or job.awaited_eyes)
        for eye in arrived:
            if eye not in job.awaited_eyes:
                raise EyeNotInJob(f"No {eye} lens is awaited.", field="eyes", allowed=job.awaited_eyes)
            lens = ordered_lens(job, eye)
            if not lens.is_special_order:
                lens_reserve(actor, job, lens)
        still = [eye for eye in job.awaited_eyes if eye not in arrived]
        if job.state == JobState.WAITING and not still and not job.awaits_frame:
            move(job, JobState.OPEN, awaited_eyes=still)
        else:
            write(job, awaited_eyes=still)
        record(events.LENSES_ARRIVED, job, actor, eyes=arrived, state=job.state)
    return job


def spoilt_record(
    *, actor: Actor, job: Job, eyes: Sequence[str], cause: str, borne_by: str, reason: str
) -> list[Breakage]:
    """Keep what an order that was called off has cost: its cut lenses, written off by the order's own use case."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        write(job)
        lots = {eye: selectors.cost_of(job.order, eye) for eye in eyes}
        return Breakage.objects.bulk_create(
            Breakage(
                job=job,
                eye=eye,
                step=StepKind.EDGE,
                cause=cause,
                borne_by=bearer_of(cause, borne_by),
                reason=reason[:200],
                replaced=False,
                cost=lot.unit_cost if lot else None,
                currency=job.order.currency if lot else "",
                by_id=actor.id,
            )
            for eye, lot in lots.items()
        )


def cut_eyes_of(order: Order) -> set[str]:
    """The eyes of an order whose present lens has begun to be cut, in the last attempt that made that eye.

    Locks the jobs of the order until the transaction ends. Every use case that locks both locks the order first.
    """
    cut: set[str] = set()
    jobs = lock_rows(Job.objects.everywhere("of an order the caller has locked").filter(order=order))
    for job in sorted(jobs, key=lambda job: job.attempt):
        cut = (cut - set(job.eyes)) | set(job.cut_eyes)
    return cut


def ordered_lens(job: Job, eye: str) -> OrderedLens:
    """The lens ordered for an eye. Raises EyeNotInJob."""
    found = job.order.lenses.select_related("product").filter(eye=eye).first() if eye in job.eyes else None
    if found is None:
        raise EyeNotInJob(f"Job {job.number} makes no {eye} lens.", field="eye", allowed=job.eyes)
    return found


def lens_reserve(actor: Actor, job: Job, lens: OrderedLens) -> None:
    """Reserve a lens of this power for the job's order. Raises OutOfStock."""
    item = stock_selectors.lens_item(lens.product, lens.sphere_dpt, lens.cylinder_dpt)
    if item is None:
        raise stock.OutOfStock(f"{lens.product} {lens} has never been in stock.", field="eye")
    stock.stock_reserve(actor=actor, branch=job.branch, item=item, document=document_of(job.order), part=lens.eye)


def lens_renew(actor: Actor, job: Job, lens: OrderedLens) -> bool:
    """Reserve another lens if it comes from stock and one is there; whether that was so."""
    if lens.is_special_order:
        return False
    try:
        with transaction.atomic():
            lens_reserve(actor, job, lens)
    except stock.OutOfStock:
        return False
    return True


def _replace(actor: Actor, job: Job, lens: OrderedLens, why: str) -> bool:
    if not lens.is_special_order:
        branch = held_parts(job.order).get(lens.eye, job.branch)
        stock.stock_write_off(
            actor=actor, branch=branch, document=document_of(job.order), part=lens.eye, reason=why[:200]
        )
    return lens_renew(actor, job, lens)


def _lens_there(job: Job, eye: str) -> OrderedLens:
    lens = ordered_lens(job, eye)
    if eye in job.awaited_eyes:
        raise NoLensThere(f"The {eye} lens of job {job.number} is awaited.", field="eye", allowed=["lenses-arrived"])
    return lens
