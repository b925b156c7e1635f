"""Reads of the workshop, limited to the branches in which the actor may see them, and what a job needs next."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Invalid, NotFound
from opticshop.core.fetching import related
from opticshop.core.scoping import BranchQuerySet
from opticshop.orders.models import Order
from opticshop.orders.services import document_of
from opticshop.stock.models import Lot, Reservation

from .models import LIVE_STATES as LIVE_STATES
from .models import SKIPPABLE, Bench, Breakage, Job, JobState, JobStep, LensReading, StepKind
from .permissions import WorkshopPermission

#: Steps worked on after the final inspection; every other step belongs to an open job.
AFTER_INSPECTION = frozenset({StepKind.SET_UP, StepKind.PACK})
CLOSED_STEPS = frozenset({JobStep.State.DONE, JobStep.State.SKIPPED})

_STEPS = related("steps", lambda: JobStep.objects.select_related("by", "started_by"))
_READINGS = related("readings", lambda: LensReading.objects.select_related("read_by"))
_BREAKAGES = related("breakages", lambda: Breakage.objects.select_related("by"))


class BranchNotSaid(Invalid):
    """Who sees several branches says which board is wanted."""

    code = "workshop.branch_not_said"
    title = "Say which branch"


@dataclass(frozen=True, slots=True)
class Next:
    """What a job needs next: the step if there is one, plain words, and the requests that can be made now."""

    words: str
    step: str | None = None
    requests: Sequence[str] = field(default=())


def jobs_visible_to(actor: Actor, permission: str = WorkshopPermission.VIEW) -> BranchQuerySet[Job]:
    """With what the board needs: order, frame and steps."""
    return (
        Job.objects.visible_to(actor, permission)
        .select_related("branch", "order__frame", "holder", "bench")
        .prefetch_related(_STEPS)
    )


def in_full(jobs: BranchQuerySet[Job]) -> BranchQuerySet[Job]:
    """The jobs with everything the bench needs on one page."""
    return jobs.select_related("order__customer").prefetch_related(
        "order__lenses__product",
        _READINGS,
        _BREAKAGES,
    )


def bare(jobs: BranchQuerySet[Job]) -> BranchQuerySet[Job]:
    """The jobs with their branch only."""
    return jobs.select_related(None).prefetch_related(None).select_related("branch")


def job_get_for(actor: Actor, job_id: uuid.UUID, *, permission: str = WorkshopPermission.VIEW) -> Job:
    """The job, if the actor holds the permission in its branch; otherwise NotFound, whatever the reason."""
    found = in_full(jobs_visible_to(actor, permission)).filter(id=job_id).first()
    if found is None:
        raise NotFound(f"There is no job {job_id} here.", field="job")
    return found


def jobs_get_for(actor: Actor, job_ids: Sequence[uuid.UUID], *, permission: str = WorkshopPermission.VIEW) -> list[Job]:
    """The jobs, in the order asked for. Raises NotFound when one is not there or not the actor's."""
    found = {job.id: job for job in jobs_visible_to(actor, permission).filter(id__in=job_ids)}
    for job_id in job_ids:
        if job_id not in found:
            raise NotFound(f"There is no job {job_id} here.", field="jobs")
    return [found[job_id] for job_id in dict.fromkeys(job_ids)]


def branch_of_board(actor: Actor, branch_id: uuid.UUID | None) -> Branch:
    """The branch asked for, or the only one in which the actor sees jobs. Raises BranchNotSaid, NotFound."""
    if branch_id is None:
        where = actor.where(WorkshopPermission.VIEW)
        if where is ALL or len(where) != 1:
            raise BranchNotSaid("You see the jobs of several branches.", field="branch")
        [branch_id] = where
    return branch_get_for(actor, branch_id, permission=WorkshopPermission.VIEW)


def job_by_tray(actor: Actor, code: str, *, permission: str = WorkshopPermission.VIEW) -> Job:
    """The job whose tray label was scanned, however the scanner writes it. Raises NotFound."""
    found = in_full(jobs_visible_to(actor, permission)).filter(number__iexact=code.strip()).first()
    if found is None:
        raise NotFound(f"There is no job with the tray label {code} here.", field="code")
    return found


def benches_visible_to(actor: Actor, permission: str = WorkshopPermission.VIEW) -> BranchQuerySet[Bench]:
    return Bench.objects.visible_to(actor, permission).select_related("branch")


def benches_of(branch: Branch) -> BranchQuerySet[Bench]:
    """The benches in use at a branch the caller works in."""
    return Bench.objects.everywhere("of a branch the caller works in").filter(branch=branch, is_active=True)


def is_late(job: Job, day: dt.date) -> bool:
    """Whether a job that is still to be done was promised for a day before this one."""
    return job.state in LIVE_STATES and job.promised_on < day


def overdue_jobs(branch: Branch, day: dt.date) -> BranchQuerySet[Job]:
    """The jobs of a branch that are late on a day, longest overdue first: for alerts, for whoever may see them."""
    jobs = Job.objects.everywhere("alerts of a branch").filter(branch=branch, state__in=LIVE_STATES)
    late = jobs.filter(promised_on__lt=day).select_related("branch", "order", "holder", "bench")
    return late.order_by("promised_on", "id")


def latest_job(order: Order) -> Job | None:
    """The last attempt at an order the caller has been allowed to see."""
    jobs = Job.objects.everywhere("of an order the caller may see").filter(order=order)
    return jobs.select_related("branch").order_by("-attempt").first()


def live_jobs_of_prescription(prescription_id: uuid.UUID | str) -> list[Job]:
    """The jobs, anywhere, that make a pair to a prescription now."""
    jobs = Job.objects.everywhere("the workshop hears that a prescription was amended")
    found = jobs.filter(order__prescription_id=prescription_id, state__in=LIVE_STATES)
    return list(found.select_related("branch", "order").order_by("id"))


def held_lots(order: Order) -> dict[str, str]:
    """Part (right, left or frame) -> code of the lot of which a piece is promised to the order now."""
    held = Reservation.objects.everywhere("of an order the caller may see").filter(
        document=document_of(order), state=Reservation.State.ACTIVE
    )
    return dict(held.values_list("part", "lot__code"))


def cost_of(order: Order, part: str) -> Lot | None:
    """The lot from which the order last had a piece for a part, with its unit cost; None where it had none."""
    rows = Reservation.objects.everywhere("of an order the caller may see").filter(
        document=document_of(order), part=part
    )
    last = rows.exclude(state=Reservation.State.RELEASED).select_related("lot").order_by("-id").first()
    return last.lot if last is not None else None


def next_step(steps: Iterable[JobStep]) -> JobStep | None:
    """The first step that is neither done nor skipped; ``steps`` in the order of the bench."""
    return next((step for step in steps if step.state not in CLOSED_STEPS), None)


def wanted_state(kind: str) -> JobState:
    """The state a job must be in for a step to be worked on."""
    return JobState.INSPECTED if kind in AFTER_INSPECTION else JobState.OPEN


def lenses_to_verify(job: Job) -> list[str]:
    """The eyes of the job whose lens on the bench has no passing latest reading."""
    latest = {reading.eye: reading.outcome for reading in job.readings.all() if reading.of_current_lens}
    return [eye for eye in job.eyes if latest.get(eye) != "pass"]


def what_next(job: Job) -> Next:
    """What is to be done with a job, from its state and its steps (both already fetched)."""
    if job.state == JobState.WAITING:
        lenses = [f"the {_and(job.awaited_eyes)} lens"] if job.awaited_eyes else []
        requests = ["lenses-arrived"] * bool(lenses) + ["frame-arrived"] * job.awaits_frame
        return Next(f"Wait for {_and([*lenses, *['the frame'] * job.awaits_frame])}.", requests=requests)
    if job.state == JobState.STOPPED:
        return Next(f"Stopped: {job.stop_reason}", requests=["resume", "break-lens", "break-frame"])
    if job.state in (JobState.FINISHED, JobState.CANCELLED):
        return Next(f"Nothing; the job is {job.state}.")
    step = next_step(job.steps.all())
    if step is None:
        return Next("Nothing is left to do.")
    label = StepKind(step.kind).label
    if step.kind == StepKind.INSPECT:
        return Next(f"{label}: record an inspection of this job.", step.kind, ["inspections"])
    if step.state == JobStep.State.STARTED:
        requests = [f"steps/{step.kind}/finish"]
        words = f"Going on: {label}."
    else:
        requests, words = [f"steps/{step.kind}/start"], f"Next: {label}."
    if step.kind == StepKind.VERIFY:
        requests.insert(0, "verify")
    if step.kind in SKIPPABLE:
        requests.append(f"steps/{step.kind}/skip")
    return Next(words, step.kind, requests)


def _and(words: Sequence[str]) -> str:
    return " and ".join(words)
