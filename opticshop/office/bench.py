"""The screen of the workshop: the board of a branch, the scan of a tray, the next step of a job."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseNotModified
from django.shortcuts import redirect, render
from django.template.loader import render_to_string
from django.utils.http import parse_etags

from opticshop.branches.models import Branch
from opticshop.core import acting, clock
from opticshop.core.actor import Actor
from opticshop.core.errors import DomainError, Forbidden, NotFound
from opticshop.quality.models import Inspection
from opticshop.quality.permissions import QualityPermission
from opticshop.workshop import selectors, services
from opticshop.workshop.board import STOPPED, WAITING, Board, board_of
from opticshop.workshop.models import Job, JobState, JobStep, StepKind
from opticshop.workshop.permissions import WorkshopPermission

from . import measuring, screens
from .doors import branch_with, branches_with, room

VIEW, WORK = WorkshopPermission.VIEW, WorkshopPermission.WORK
#: How often the screen looks again, in seconds (our choice, no source).
LOOKS_EVERY = 20
#: What a button of the job's page does: its word in the address -> service.
STEPS: dict[str, Callable[..., Any]] = {"start": services.step_start, "finish": services.step_finish}


@room(at_screen=True)
def choose(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Straight to the only workshop; otherwise a list of them."""
    branches = branches_with(actor, [VIEW])
    if not branches:
        raise Forbidden("You see the jobs of no branch.")
    if len(branches) == 1:
        return redirect("bench", code=branches[0].code)
    return render(request, "bench/choose.html", {"branches": branches})


@room(at_screen=True)
def board(request: HttpRequest, actor: Actor, code: str) -> HttpResponse:
    return _board(request, actor, branch_with(actor, code, VIEW))


@room(at_screen=True)
def columns(request: HttpRequest, actor: Actor, code: str) -> HttpResponse:
    """The board alone, as the screen fetches it by itself: 304 as long as nothing has changed."""
    found = _read(actor, branch_with(actor, code, VIEW))
    text = render_to_string("bench/columns.html", _words(found))
    etag = f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'
    if etag in parse_etags(request.headers.get("If-None-Match", "")):
        return HttpResponseNotModified(headers={"ETag": etag})
    return HttpResponse(text, headers={"ETag": etag})


@room(at_screen=True)
def tray(request: HttpRequest, actor: Actor, code: str) -> HttpResponse:
    """What a scanner typed leads to its job; a label that is none of this branch leaves the board as it is."""
    branch = branch_with(actor, code, VIEW)
    typed = request.GET.get("code", "").replace("\x00", "").strip()[:60]
    try:
        found = selectors.job_by_tray(actor, typed)
    except NotFound as refusal:
        return _board(request, actor, branch, refusal=refusal)
    return redirect("bench-job", code=found.branch.code, number=found.number)


@room()
def job(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    return _job(request, actor, _job_of(actor, branch_with(actor, code, VIEW), number))


@room("POST")
def screen(request: HttpRequest, actor: Actor, code: str) -> HttpResponse:
    """Make this browser the shared screen of a workshop; who does it is signed out of it."""
    branch = branch_with(actor, code, VIEW)
    if request.method != "POST":
        return render(request, "bench/screen.html", {"branch": branch})
    try:
        return screens.set_up(request, code)
    except screens.NotThisScreen as refusal:
        name = request.POST.get("client_id", "")[:100]
        told = {"branch": branch, "refusal": refusal, "name": name}
        return render(request, "bench/screen.html", told, status=refusal.status)


@room("POST")
def step(request: HttpRequest, actor: Actor, code: str, number: str, kind: str, act: str) -> HttpResponse:
    """Start or finish a step, by the service that the API uses."""
    found = _job_of(actor, branch_with(actor, code, VIEW), number)
    if kind not in StepKind.values or act not in STEPS:
        raise NotFound(f"There is no step {kind}.", field="kind")
    return _done(request, actor, found, lambda: STEPS[act](actor=actor, job=found, kind=kind))


@room("POST")
def take_over(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    """Take a job in hand that another has; it is recorded from whom."""
    found = _job_of(actor, branch_with(actor, code, VIEW), number)
    return _done(request, actor, found, lambda: services.job_claim(actor=actor, job=found, take_over=True))


@room("POST")
def reading(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    """What the focimeter shows of one uncut lens; the verdict stands on the page that follows."""
    return _entered(request, actor, code, number, "reading", measuring.lens_read)


@room("POST")
def inspection(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    """The final inspection as measured and seen; the verdict stands on the page that follows."""
    return _entered(request, actor, code, number, "inspection", measuring.pair_inspect)


@room("POST")
def second(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    """The second person's word on a passed pair."""

    def confirm(actor: Actor, found: Job, given: Mapping[str, str]) -> Any:
        latest = measuring.last_inspection(actor, found)
        if latest is None:
            raise NotFound("This pair has not been inspected.", field="inspection")
        return measuring.pair_confirm(actor, latest, given)

    return _entered(request, actor, code, number, "second", confirm)


@room("POST")
def resume(request: HttpRequest, actor: Actor, code: str, number: str) -> HttpResponse:
    """Put a stopped job back on the bench."""
    return _entered(request, actor, code, number, "resume", measuring.job_put_back)


def _entered(
    request: HttpRequest,
    actor: Actor,
    code: str,
    number: str,
    form: str,
    enter: Callable[[Actor, Job, Mapping[str, str]], Any],
) -> HttpResponse:
    """To the job's page by a redirect; a form that is refused comes back as it was, with the reasons at its fields."""
    found = _job_of(actor, branch_with(actor, code, VIEW), number)
    if request.method == "POST":
        given = measuring.typed_in(request.POST)
        try:
            enter(actor, found, given)
        except Forbidden:
            raise
        except (DomainError, measuring.NotAsTheShape) as refusal:
            status = refusal.status if isinstance(refusal, DomainError) else 400
            again = _job_of(actor, found.branch, number)
            return _job(request, actor, again, typed=measuring.refused(form, given, refusal), status=status)
    return redirect("bench-job", code=found.branch.code, number=found.number)


def _done(request: HttpRequest, actor: Actor, found: Job, change: Callable[[], Any]) -> HttpResponse:
    """To the job's page by a redirect, so that it can be loaded again; a refusal is told on it."""
    if request.method != "POST":
        return redirect("bench-job", code=found.branch.code, number=found.number)
    try:
        change()
    except DomainError as refusal:
        return _job(request, actor, _job_of(actor, found.branch, found.number), refusal=refusal)
    return redirect("bench-job", code=found.branch.code, number=found.number)


def _job_of(actor: Actor, branch: Branch, number: str) -> Job:
    jobs = selectors.in_full(selectors.jobs_visible_to(actor, VIEW))
    found = jobs.filter(branch=branch, number__iexact=number).first()
    if found is None:
        raise NotFound(f"There is no job {number} here.", field="job")
    return found


def _read(actor: Actor, branch: Branch) -> Board:
    found = board_of(actor, branch)
    acting.saw(Job, [row.job for column in found.columns for row in column.rows])
    return found


def _board(request: HttpRequest, actor: Actor, branch: Branch, *, refusal: DomainError | None = None) -> HttpResponse:
    told = {**_words(_read(actor, branch)), "refusal": refusal, "looks_every": LOOKS_EVERY}
    return render(request, "bench/board.html", told, status=refusal.status if refusal else 200)


def _words(found: Board) -> dict[str, Any]:
    filled = [column for column in found.columns if column.rows]
    return {
        "board": found,
        "branch": found.branch,
        "filled": filled,
        "held_up": (WAITING, STOPPED),
    }


def _job(
    request: HttpRequest,
    actor: Actor,
    found: Job,
    *,
    refusal: DomainError | None = None,
    typed: measuring.Typed = measuring.NOTHING_TYPED,
    status: int = 200,
) -> HttpResponse:
    """With the power to supply: a fact of health, so the read is written down."""
    acting.saw(Job, [found])
    day = clock.today(found.branch.time_zone)
    coming = selectors.next_step(found.steps.all())
    can_work = actor.may(WORK, found.branch_id) and coming is not None
    can_inspect = actor.may(QualityPermission.INSPECT, found.branch_id)
    act = ""
    if can_work and coming is not None and coming.kind != StepKind.INSPECT:
        fits = found.state == selectors.wanted_state(coming.kind)
        act = ("finish" if coming.state == JobStep.State.STARTED else "start") if fits else ""
    held_by_another = found.holder_id is not None and found.holder_id != actor.id
    inspected = measuring.last_inspection(actor, found)
    if inspected is not None:
        acting.saw(Inspection, [inspected])
    waits_for_second = inspected is not None and inspected.needs_second and inspected.second_agrees is None
    readings_to_do = measuring.lens_forms(found, coming, typed) if can_work and not held_by_another else []
    form = measuring.inspection_form(found, coming, typed) if can_inspect and not waits_for_second else None
    told = {
        "job": found,
        "branch": found.branch,
        "refusal": refusal,
        "next": selectors.what_next(found),
        "coming": coming,
        "coming_words": StepKind(coming.kind).label if coming else "",
        # A lens that must be read first is not finished by a button that will be refused.
        "act": "" if held_by_another or readings_to_do else act,
        "can_take_over": held_by_another and bool(act),
        "due_readings": selectors.lenses_to_verify(found) if found.state in selectors.LIVE_STATES else [],
        "is_late": selectors.is_late(found, day),
        "is_due": found.promised_on == day,
        "is_stopped": found.state == JobState.STOPPED,
        "can_resume": found.state == JobState.STOPPED and actor.may(WORK, found.branch_id),
        "lenses": [lens for lens in found.order.lenses.all() if lens.eye in found.eyes],
        "readings": [
            (each, measuring.lines_told(each.verdict)) for each in found.readings.all() if each.of_current_lens
        ],
        "lens_forms": readings_to_do,
        "inspection_form": form,
        "inspected": inspected,
        "inspected_lines": measuring.lines_told(inspected.verdict) if inspected else [],
        "missing": [each.replace(".", " ").replace("_", " ") for each in inspected.missing] if inspected else [],
        "waits_for_second": waits_for_second,
        "may_confirm": waits_for_second
        and can_inspect
        and inspected is not None
        and inspected.inspected_by_id != actor.id,
        "instruments": measuring.instruments_here(actor, found) if readings_to_do or form else [],
        "typed": typed,
        "wrong": [words for words in typed.errors.values() if words],
    }
    return render(request, "bench/job.html", told, status=refusal.status if refusal else status)
