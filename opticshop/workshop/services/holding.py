"""Who has a job in hand and at which bench: taken, put down, passed on. Holding is a column of the job."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

from django.db import transaction

from opticshop.accounts.access import actor_for
from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid, NotFound
from opticshop.core.locks import lock_rows

from .. import events, selectors
from ..models import Bench, Job, JobState
from ..permissions import WorkshopPermission
from .rows import locked, not_on_the_bench, record, write


class HeldByAnother(Conflict):
    """Somebody else has this job in hand; names them. They hand it on, or it is taken over, which is recorded."""

    code = "workshop.held_by_another"
    title = "Somebody else has this job in hand"


class NotHeld(Conflict):
    """Nobody has this job in hand."""

    code = "workshop.not_held"
    title = "Nobody has this job in hand"


class BenchElsewhere(Invalid):
    """A job lies at a bench of its own branch that is in use; names those."""

    code = "workshop.bench_elsewhere"
    title = "This bench is not one of the job's branch"


class PersonCannotWork(Invalid):
    """Jobs are handed to people who may work in the workshop of the job's branch."""

    code = "workshop.person_cannot_work"
    title = "This person does not work in this workshop"


class HandOnToNobody(Invalid):
    """Jobs are handed on to a person, a bench or both."""

    code = "workshop.hand_on_to_nobody"
    title = "Name a person or a bench"


def job_claim(*, actor: Actor, job: Job, bench: uuid.UUID | None = None, take_over: bool = False) -> Job:
    """Take a job in hand, at a bench if one is named. Held by another it must be taken over, and that is recorded."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        _check_live(job)
        former = job.holder_id
        if former not in (None, actor.id) and not take_over:
            raise held_by_another(job)
        _hold(job, actor.id, _bench(job, bench) if bench else job.bench)
        record(
            events.JOB_CLAIMED,
            job,
            actor,
            holder=_text(job.holder_id),
            bench=_text(job.bench_id),
            taken_over_from=_text(former) if former != actor.id else None,
        )
    return job


def job_release(*, actor: Actor, job: Job, note: str = "") -> Job:
    """Put a job down: nobody has it in hand. It stays at its bench."""
    actor.require(WorkshopPermission.WORK, job.branch_id)
    with transaction.atomic():
        job = locked(job)
        if job.holder_id is None:
            raise NotHeld(f"Nobody has job {job.number} in hand.", field="job")
        if job.holder_id != actor.id:
            raise held_by_another(job)
        _hold(job, None, job.bench)
        record(events.JOB_RELEASED, job, actor, note=note)
    return job


def jobs_hand_on(
    *,
    actor: Actor,
    jobs: Sequence[Job],
    person: uuid.UUID | None = None,
    bench: uuid.UUID | None = None,
    note: str = "",
) -> list[Job]:
    """Pass jobs on to another person, another bench or both: all of them or none.

    Jobs that somebody else has in hand are passed on too (the one at lunch cannot): the event says whose they were.
    Raises HandOnToNobody, PersonCannotWork, BenchElsewhere, NotOnTheBench.
    """
    for job in jobs:
        actor.require(WorkshopPermission.WORK, job.branch_id)
    if person is None and bench is None:
        raise HandOnToNobody(field="person")
    with transaction.atomic():
        rows = Job.objects.everywhere("by key, authorised above").filter(id__in=[job.id for job in jobs])
        passed = lock_rows(rows.select_related("branch", "order", "holder", "bench"))
        for branch in {job.branch for job in passed} if person else ():
            _check_person(branch, person)
        for job in passed:
            _check_live(job)
            former = job.holder_id
            holder = person if person is not None else former
            _hold(job, holder, _bench(job, bench) if bench else job.bench)
            record(
                events.JOB_HANDED_ON,
                job,
                actor,
                holder=_text(holder),
                bench=_text(job.bench_id),
                handed_on_from=_text(former),
                note=note,
            )
    return passed


def take_in_hand(job: Job, actor: Actor) -> dict[str, object]:
    """The columns that change when a person begins work on a locked job: nobody's job becomes theirs.

    Raises HeldByAnother. The system and service accounts hold nothing.
    """
    if actor.kind != "person" or actor.id is None:
        return {}
    if job.holder_id is None:
        return {"holder_id": actor.id, "held_since": clock.now()}
    if job.holder_id != actor.id:
        raise held_by_another(job)
    return {}


#: The columns of a job that nobody has in hand.
IN_NOBODYS_HAND: dict[str, object] = {"holder_id": None, "held_since": None}


def held_by_another(job: Job) -> HeldByAnother:
    return HeldByAnother(
        f"{job.holder} has job {job.number} in hand since {job.held_since:%Y-%m-%d %H:%M} UTC.",
        field="job",
        allowed=["claim with take_over", "hand-on"],
        holder=str(job.holder_id),
    )


def _hold(job: Job, holder_id: uuid.UUID | None, bench: Bench | None) -> None:
    since = job.held_since if holder_id == job.holder_id else clock.now()
    write(job, holder_id=holder_id, held_since=since if holder_id else None, bench=bench)


def _check_live(job: Job) -> None:
    if job.state in (JobState.FINISHED, JobState.CANCELLED):
        raise not_on_the_bench(job)


def _check_person(branch: Branch, user_id: uuid.UUID | None) -> None:
    person = User.objects.filter(id=user_id, is_active=True).first() if user_id else None
    theirs = actor_for(person) if person is not None else None
    if person is None or theirs is None or not theirs.knows(branch.id):
        raise NotFound(f"Nobody with the id {user_id} works at this branch.", field="person")
    if not theirs.may(WorkshopPermission.WORK, branch.id):
        raise PersonCannotWork(f"{person} does not work in the workshop of {branch.code}.", field="person")


def _bench(job: Job, bench_id: uuid.UUID) -> Bench:
    benches = list(selectors.benches_of(job.branch))
    found = next((bench for bench in benches if bench.id == bench_id), None)
    if found is None:
        raise BenchElsewhere(
            f"{job.branch.code} has no bench {bench_id} in use.",
            field="bench",
            allowed=[{"id": str(bench.id), "code": bench.code} for bench in benches],
        )
    return found


def _text(key: uuid.UUID | None) -> str | None:
    return None if key is None else str(key)
