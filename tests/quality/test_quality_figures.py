"""What head office watches, against an independent count of the same rows in plain Python.

The rows are made at random (seeded) at branches in two time zones, with months, people and products to group by. The
recomputation below shares no code with the service: it walks the working minutes one by one.
"""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from opticshop.branches.models import OpeningHours
from opticshop.core import clock
from opticshop.orders.models import OrderedLens, Promise
from opticshop.quality.figures import workshop_figures
from opticshop.quality.models import Inspection, PairReturn
from opticshop.workshop.models import ORDINARY_STEPS, Breakage, Job, JobStep
from tests.conftest import member
from tests.factories import BranchFactory, CustomerFactory, LensProductFactory, OrderFactory

pytestmark = pytest.mark.django_db
URL = "/api/v1/workshop-figures/"
FIRST, LAST = dt.date(2026, 1, 10), dt.date(2026, 2, 20)
NO_FAULT = {"prescriber_change", "scratched_early", "broken_in_wear", "lost_in_post", "frame_changed"}
OPEN_AT, CLOSE_AT = dt.time(10), dt.time(16)


class Made:
    """One finished first attempt and what became of it, as plain facts."""

    def __init__(self, **facts):
        self.__dict__.update(facts)


@pytest.fixture
def history(mill, quay):
    """Some sixty jobs; returns (branches, facts of first attempts, facts of remakes, facts of lost lenses)."""
    draw = random.Random(7)
    quay.time_zone = "Pacific/Auckland"
    quay.save()
    for branch in (mill, quay):
        branch.keeps_public_holidays = False
        branch.save()
        OpeningHours.objects.bulk_create(
            OpeningHours(branch=branch, weekday=day, opens_at=OPEN_AT, closes_at=CLOSE_AT) for day in range(6)
        )
    people = [member(name, "workshop", mill) for name in ("ana", "ben")]
    products = [LensProductFactory(sku=sku) for sku in ("LE-A", "LE-B")]
    firsts, remakes, losses = [], [], []
    for n in range(60):
        branch = draw.choice([mill, quay])
        order = _order(branch, draw, n)
        eyes = draw.choice([["right", "left"], ["right", "left"], ["right"]])
        lenses = {eye: draw.choice(products) for eye in eyes}
        for eye, product in lenses.items():
            OrderedLens.objects.create(
                order=order,
                eye=eye,
                product=product,
                sphere_dpt="-1.00",
                cylinder_dpt="0",
                centration_distance_mm="32",
                centration_height_mm="20",
            )
        finished_at = order.placed_at + dt.timedelta(minutes=draw.randint(60, 14 * 24 * 60))
        person = draw.choice(people)
        job = _job(order, branch, 1, eyes, finished_at, person)
        first_promise, last_promise = (finished_at.date() + dt.timedelta(days=draw.randint(-3, 3)) for _ in range(2))
        for day in (first_promise, last_promise):
            Promise.objects.create(order=order, promised_on=day, reason="x", made_at=order.placed_at)
        Job.objects.everywhere("test").filter(id=job.id).update(promised_on=last_promise)
        made = Made(
            branch=branch,
            products=list(lenses.values()),
            person=person,
            placed_at=order.placed_at,
            finished_at=finished_at,
            first_promise=first_promise,
            last_promise=last_promise,
            wrong=False,
        )
        firsts.append(made)
        if draw.random() < 0.2:
            _inspection(job, "fail")
            made.wrong = True
        _inspection(job, "pass")
        if draw.random() < 0.2:
            cause = draw.choice(["axis_off", "prescriber_change"])
            again_at = finished_at + dt.timedelta(days=draw.choice([5, 29, 31, 60]))
            one = [draw.choice(eyes)]
            again = _job(order, branch, 2, one, again_at + dt.timedelta(days=1), person, cause, again_at)
            remakes.append(Made(branch=branch, products=[lenses[one[0]]], person=person, finished_at=again.finished_at))
            made.wrong |= cause not in NO_FAULT and (again_at - finished_at) <= dt.timedelta(days=30)
        if draw.random() < 0.2:
            cause = draw.choice(["non_tolerance", "broken_in_wear"])
            back_at = finished_at + dt.timedelta(days=draw.choice([3, 30, 40]))
            PairReturn.objects.create(
                branch=branch, order=order, cause=cause, eye="both", words="x", reported_at=back_at
            )
            made.wrong |= cause not in NO_FAULT and (back_at - finished_at) <= dt.timedelta(days=30)
        for eye in eyes:
            if draw.random() < 0.25:
                cause = draw.choice(["chipped", "chipped", "called_off"])
                lost_at = finished_at - dt.timedelta(hours=5)
                with clock.at(lost_at):
                    Breakage.objects.create(
                        job=job, eye=eye, step="edge", cause=cause, reason="x", replaced=True, by=person
                    )
                if cause == "chipped":
                    losses.append(Made(branch=branch, products=[lenses[eye]], person=person, lost_at=lost_at))
        if draw.random() < 0.1:
            Breakage.objects.create(
                job=job, eye="frame", step="glaze", cause="frame_snapped", reason="x", replaced=True
            )
    return [mill, quay], firsts, remakes, losses


def _order(branch, draw, n):
    placed_at = dt.datetime(2025, 12, 28, tzinfo=dt.UTC) + dt.timedelta(minutes=draw.randint(0, 60 * 24 * 60))
    return OrderFactory(customer=CustomerFactory(branch=branch), placed_at=placed_at, number=f"F{n}")


def _job(order, branch, attempt, eyes, finished_at, person, cause="", opened_at=None):
    with clock.at(opened_at or order.placed_at):
        job = Job.objects.create(
            branch=branch,
            number=f"J-{order.number}-{attempt}",
            order=order,
            attempt=attempt,
            eyes=eyes,
            state="finished",
            promised_on=dt.date(2026, 1, 1),
            finished_at=finished_at,
            remake_cause=cause,
            remake_reason="x" if cause else "",
        )
    JobStep.objects.bulk_create(
        JobStep(
            job=job,
            position=position,
            kind=kind,
            state="done",
            done_at=finished_at,
            by=person if kind == "glaze" else None,
        )
        for position, kind in enumerate(ORDINARY_STEPS, start=1)
    )
    return job


def _lost(job, part, cause, person):
    Breakage.objects.create(job=job, eye=part, step="edge", cause=cause, reason="x", replaced=True, by=person)


def _inspection(job, outcome):
    Inspection.objects.create(
        branch=job.branch,
        job=job,
        standard="x",
        standard_version="x",
        readings={},
        outcome=outcome,
        verdict={},
        inspected_at=job.finished_at,
    )


# --- the independent count ----------------------------------------------------------------------------------------


def local(moment, branch):
    return moment.astimezone(ZoneInfo(branch.time_zone))


@cache
def working_minutes(start, end, branch):
    """Minute by minute on the clock of the branch: open 10 to 16, Monday to Saturday."""
    zone, total, moment = ZoneInfo(branch.time_zone), 0, start
    while moment < end:
        here = moment.astimezone(zone)
        total += here.weekday() < 6 and OPEN_AT <= here.time() < CLOSE_AT
        moment += dt.timedelta(minutes=1)
    return total


def percentile(values, share):
    """The smallest value which at least this share of them does not exceed (Hyndman and Fan 1996, definition 1)."""
    return min(value for value in values if sum(each <= value for each in values) >= share * len(values))


def groups_of(row, by, moment):
    if by == "product":
        return {product.sku for product in row.products}
    return {
        "total": {"Total"},
        "branch": {row.branch.code},
        "person": {row.person.username},
        "day": {str(local(moment, row.branch).date())},
        "week": {"{}-W{:02}".format(*local(moment, row.branch).date().isocalendar())},
        "month": {local(moment, row.branch).strftime("%Y-%m")},
    }[by]


def expected(history, by):
    _, firsts, remakes, losses = history
    found = defaultdict(lambda: defaultdict(list))

    def within(moment, branch):
        return FIRST <= local(moment, branch).date() <= LAST

    for row in firsts:
        if not within(row.finished_at, row.branch):
            continue
        day = local(row.finished_at, row.branch).date()
        for label in groups_of(row, by, row.finished_at):
            group = found[label]
            group["jobs"].append(1)
            group["right"].append(not row.wrong)
            group["first"].append(day <= row.first_promise)
            group["last"].append(day <= row.last_promise)
            group["days"].append((day - local(row.placed_at, row.branch).date()).days)
            group["minutes"].append(working_minutes(row.placed_at, row.finished_at, row.branch))
    for row in [*firsts, *remakes]:
        if within(row.finished_at, row.branch):
            for label in groups_of(row, by, row.finished_at):
                skus = [product.sku for product in row.products]
                found[label]["made"].append(skus.count(label) if by == "product" else len(skus))
    for row in losses:
        if within(row.lost_at, row.branch):
            for label in groups_of(row, by, row.lost_at):
                found[label]["lost"].append(1)
    return found


def test_the_figures_are_those_of_an_independent_count(history):
    """All groupings of one history, which takes a second to make."""
    for by in ("total", "branch", "product", "person", "day", "week", "month"):
        compare(history, by)


def compare(history, by):
    figures = workshop_figures(history[0], first=FIRST, last=LAST, by=by)
    rows = [figures.total] if by == "total" else figures.rows
    wanted = expected(history, by)
    assert {row.label for row in rows} == set(wanted), by
    assert len(rows) > 1 or by == "total", by
    for row in rows:
        group = wanted[row.label]
        assert (row.jobs, row.right) == (len(group["jobs"]), sum(group["right"])), row.label
        assert (row.on_first_promise, row.on_last_promise) == (sum(group["first"]), sum(group["last"]))
        assert (row.lenses_made, row.lenses_lost) == (sum(group["made"]), sum(group["lost"]))
        lost, made = sum(group["lost"]), sum(group["made"])
        assert row.spoil_percent == pytest.approx(100 * lost / (lost + made), abs=0.01)
        if not group["jobs"]:  # a day on which only remakes were finished or lenses lost
            assert (row.right_first_time_percent, row.turnaround_p50_hours, row.days) == (None, None, [])
            continue
        assert row.right_first_time_percent == pytest.approx(100 * sum(group["right"]) / len(group["jobs"]), abs=0.01)
        assert sorted(row.days) == sorted(group["days"])
        # A minute is counted whole by the walk above: half a minute of doubt at either end.
        for got, share in ((row.turnaround_p50_hours, 0.5), (row.turnaround_p90_hours, 0.9)):
            assert got == pytest.approx(percentile(group["minutes"], share) / 60, abs=0.04)


def test_the_history_has_what_the_count_is_about(history):
    _, firsts, remakes, losses = history
    assert 0 < sum(row.wrong for row in firsts) < len(firsts)
    assert remakes
    assert losses
    zones = {local(row.finished_at, row.branch).date() == row.finished_at.date() for row in firsts}
    assert zones == {True, False}, "some jobs are finished on another day at the branch than in UTC"


def test_lately_finished_jobs_may_still_come_back(history):
    with clock.at(dt.datetime(2026, 2, 25, tzinfo=dt.UTC)):
        found = workshop_figures(history[0], first=FIRST, last=LAST)
    young = [
        row
        for row in history[1]
        if FIRST <= local(row.finished_at, row.branch).date() <= LAST
        and row.finished_at > dt.datetime(2026, 1, 26, tzinfo=dt.UTC)
    ]
    assert found.total.not_yet_settled == len(young)


def test_nothing_finished_gives_no_shares(mill):
    total = workshop_figures([mill], first=FIRST, last=LAST).total
    assert (total.jobs, total.right_first_time_percent, total.spoil_percent, total.turnaround_p50_hours) == (
        0,
        None,
        None,
        None,
    )


def test_head_office_sees_all_branches_and_a_manager_its_own(history, api, head_office, manager, outsider, clerk, quay):
    query = f"?first={FIRST}&last={LAST}"
    whole = api(head_office).get(f"{URL}{query}&by=branch")
    assert whole.status_code == 200, whole.content
    assert [row["label"] for row in whole.json()["rows"]] == ["MILL", "QUAY"]
    own = api(manager).get(f"{URL}{query}&by=branch").json()
    assert [row["label"] for row in own["rows"]] == ["MILL"]
    assert own["total"]["jobs"] == whole.json()["rows"][0]["jobs"]
    one = api(head_office).get(f"{URL}{query}&branch={quay.id}").json()
    assert one["total"]["jobs"] == whole.json()["rows"][1]["jobs"]
    assert api(manager).get(f"{URL}{query}&branch={quay.id}").status_code == 404
    assert api(clerk).get(f"{URL}{query}").status_code == 403


@pytest.mark.parametrize(
    ("query", "status", "code"),
    [
        ("", 400, "core.malformed"),
        ("?first=2026-01-01", 400, "core.malformed"),
        ("?first=2026-01-01&last=2026-02-01&by=moon", 400, "core.malformed"),
        ("?first=2026-02-01&last=2026-01-01", 422, "quality.period_too_long"),
        ("?first=2024-01-01&last=2026-01-01", 422, "quality.period_too_long"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(api, head_office, query, status, code):
    response = api(head_office).get(f"{URL}{query}")
    assert (response.status_code, response.json()["code"]) == (status, code)


def test_the_cost_does_not_grow_with_branches_of_one_time_zone(history, queries):
    branches = [branch for branch in history[0] if branch.code == "MILL"]

    def ask():
        workshop_figures(branches, first=FIRST, last=LAST, by="branch")

    ask()
    one = queries(ask)
    more = [BranchFactory() for _ in range(3)]
    prefetched = list(type(more[0]).objects.filter(code__startswith="B").prefetch_related("opening_hours", "closures"))
    branches += prefetched
    assert len(branches) == 4
    assert queries(ask) == one
