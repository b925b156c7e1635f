"""Turnaround, right first time, remakes and spoil: two branches reckoned by hand, a history counted from raw rows."""

from __future__ import annotations

import datetime as dt
import random
from collections import defaultdict
from decimal import Decimal

import pytest
from django.db.models import F, Sum

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import system
from opticshop.orders.models import Order, OrderedLens
from opticshop.orders.services import order_cancel
from opticshop.quality.models import Handover, Inspection, PairReturn
from opticshop.reports.figures.workshop import (
    REMAKES_AND_SPOIL,
    RIGHT_FIRST_TIME,
    TURNAROUND,
    remakes_and_spoil,
    right_first_time,
    turnaround,
)
from opticshop.reports.registry import TOTAL, Scope
from opticshop.stock.models import Movement
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Breakage, Job
from tests.factories import BranchFactory, CustomerFactory, LensProductFactory, OrderFactory
from tests.orders.conftest import world
from tests.quality.test_quality_figures import FIRST, LAST, history, local, percentile, working_minutes
from tests.workshop.conftest import bench, order

pytestmark = pytest.mark.django_db
__all__ = ["bench", "history", "order", "world"]
FEBRUARY = dt.date(2026, 2, 1), dt.date(2026, 2, 28)


def asked(*branches, by="branch", period=FEBRUARY):
    return Scope(since=period[0], until=period[1], branches=branches, by=by)


def february(day, hour, minute=0, zone=dt.UTC):
    return dt.datetime(2026, 2, day, hour, minute, tzinfo=zone)


@pytest.fixture
def shops(mill, quay):
    """Open Monday to Friday from 9:00 to 17:30, without public holidays; the second one 13 hours ahead of UTC."""
    quay.time_zone, quay.currency = "Pacific/Auckland", "NZD"
    for shop in (mill, quay):
        shop.keeps_public_holidays = False
        shop.save()
    return mill, quay


class Pairs:
    """Pairs made at the shops, as rows."""

    def __init__(self):
        self.product, self.made = LensProductFactory(), 0

    def packed(self, branch, placed_at, finished_at, *handed_over_at) -> Job:
        self.made += 1
        placed = OrderFactory(
            customer=CustomerFactory(branch=branch),
            placed_at=placed_at,
            number=f"O{self.made}",
            currency=branch.currency,
        )
        for eye in ("right", "left"):
            OrderedLens.objects.create(
                order=placed,
                eye=eye,
                product=self.product,
                sphere_dpt="-1.00",
                cylinder_dpt="0",
                centration_distance_mm="32",
                centration_height_mm="20",
            )
        job = self.job(placed, 1, placed_at, state="finished", finished_at=finished_at)
        inspection = self.inspected(job, "pass")
        for moment in handed_over_at:
            Handover.objects.create(branch=branch, order=placed, inspection=inspection, handed_over_at=moment)
        return job

    def job(self, placed, attempt, opened_at, **columns) -> Job:
        number = f"J-{placed.number}-{attempt}"
        with clock.at(opened_at):
            return Job.objects.create(
                branch=placed.branch,
                order=placed,
                number=number,
                attempt=attempt,
                eyes=["right", "left"],
                promised_on=placed.promised_on,
                **columns,
            )

    def inspected(self, job, outcome):
        return Inspection.objects.create(
            branch=job.branch,
            job=job,
            standard="x",
            standard_version="x",
            readings={},
            outcome=outcome,
            verdict={},
            inspected_at=job.finished_at,
        )

    def lost(self, job, part, cause, at, cost=None, borne_by="workshop"):
        with clock.at(at):
            Breakage.objects.create(
                job=job,
                eye=part,
                step="edge",
                cause=cause,
                borne_by=borne_by,
                reason="x",
                replaced=True,
                cost=cost,
                currency=job.order.currency if cost else "",
            )


@pytest.fixture
def example(shops):
    """Three pairs at the first shop, two at the second.

    A  placed Mon 2 Feb 10:00, packed Tue 3 Feb 11:00: 7.5 + 2 = 9.5 hours, 1 day;
       handed over Wed 4 Feb 12:00: 7.5 + 8.5 + 3 = 19 hours, 2 days. A second handover does not count.
    B  placed Fri 6 Feb 16:30, packed Mon 9 Feb 9:30: 1 + 0.5 = 1.5 hours, 3 days;
       handed over Mon 16 Feb 10:00: 1 + 5 x 8.5 + 1 = 44.5 hours, 10 days.
    C  placed Mon 9 Feb 9:00, packed Thu 12 Feb 17:30: 4 x 8.5 = 34 hours, 3 days; not handed over.
    D  at the second, by its clock: placed Mon 2 Feb 10:00, packed the same day 12:00: 2 hours, 0 days;
       handed over in the first instant of March.
    E  placed Fri 6 Feb 17:00, packed Mon 9 Feb 9:30: 0.5 + 0.5 = 1 hour, 3 days; in UTC that is Sunday the 8th.
    """
    mill, quay = shops
    pairs = Pairs()
    a = pairs.packed(mill, february(2, 10), february(3, 11), february(4, 12), february(20, 12))
    b = pairs.packed(mill, february(6, 16, 30), february(9, 9, 30), february(16, 10))
    c = pairs.packed(mill, february(9, 9), february(12, 17, 30))
    there = dt.timezone(dt.timedelta(hours=13))
    midnight = dt.datetime(2026, 3, 1, tzinfo=there)
    d = pairs.packed(quay, february(2, 10, 0, there), february(2, 12, 0, there), midnight)
    e = pairs.packed(quay, february(6, 17, 0, there), february(9, 9, 30, there))
    pairs.inspected(a, "fail")
    pairs.job(
        b.order,
        2,
        february(14, 9),
        remake_reason="x",
        remake_cause="axis_off",
        remake_borne_by="workshop",
        remake_cost=Decimal("8.00"),
    )
    pairs.job(
        d.order, 2, february(20, 9), remake_reason="x", remake_cause="prescriber_change", remake_borne_by="prescriber"
    )
    PairReturn.objects.create(
        branch=quay,
        order=e.order,
        cause="non_tolerance",
        eye="both",
        words="x",
        reported_at=e.finished_at + dt.timedelta(days=31),
    )
    pairs.lost(a, "left", "chipped", february(2, 15), Decimal("4.20"))
    pairs.lost(c, "frame", "frame_snapped", february(11, 15), Decimal("31.00"))
    pairs.lost(c, "left", "scratched", february(11, 16), Decimal("4.20"))
    pairs.lost(c, "right", "called_off", february(12, 9), Decimal("4.20"), "shop")
    pairs.lost(e, "left", "dropped", february(8, 20))
    pairs.lost(a, "left", "chipped", dt.datetime(2026, 3, 1, tzinfo=dt.UTC), Decimal("4.20"))  # the day after
    return mill, quay


def times(label, by, packed, handed_over):
    """``packed`` and ``handed_over``: pairs, hours p50 and p90, days p50 and p90."""
    row = {by: label}
    for name, (pairs, *values) in (("packed", packed), ("handed_over", handed_over)):
        hours = [None if value is None else Decimal(value) for value in values[:2]]
        row |= {name: pairs, f"{name}_p50_hours": hours[0], f"{name}_p90_hours": hours[1]}
        row |= {f"{name}_p50_days": values[2], f"{name}_p90_days": values[3]}
    return row


NONE = (0, None, None, None, None)


def test_turnaround_by_branch(example):
    """The nearest rank: of three the second and the third, of two the first and the second."""
    assert turnaround(asked(*example)) == [
        times("MILL", "branch", (3, "9.50", "34.00", 3, 3), (2, "19.00", "44.50", 2, 10)),
        times("QUAY", "branch", (2, "1.00", "2.00", 0, 3), NONE),
    ]


def test_turnaround_by_week_of_each_branch(example):
    """Weeks of ISO 8601: 2 to 8 February is week 6. E falls in week 7 by the clock of its branch."""
    assert turnaround(asked(*example, by="week")) == [
        times("2026-W06", "week", (2, "2.00", "9.50", 0, 1), (1, "19.00", "19.00", 2, 2)),
        times("2026-W07", "week", (3, "1.50", "34.00", 3, 3), NONE),
        times("2026-W08", "week", NONE, (1, "44.50", "44.50", 10, 10)),
    ]
    [whole] = turnaround(asked(*example, by="total"))
    assert whole == times("Total", "total", (5, "2.00", "34.00", 3, 3), (2, "19.00", "44.50", 2, 10))


def test_right_first_time(example):
    """A failed its inspection, B was made again for its axis. What the prescriber changed is no fault, and E came back
    31 days after it was packed. On 2 March all were packed less than 30 days ago."""
    rows = right_first_time(asked(*example))
    names = ("branch", "finished", "right", "right_share", "not_yet_settled")
    assert [tuple(row[name] for name in names) for row in rows] == [
        ("MILL", 3, 1, Decimal("0.3333"), 3),
        ("QUAY", 2, 2, Decimal("1.0000"), 2),
    ]
    with clock.at(february(9, 12) + dt.timedelta(days=31)):
        assert right_first_time(asked(*example))[0]["not_yet_settled"] == 1


def losses(rows, by, *names):
    return [tuple(row[name] for name in (by, "currency", *names)) for row in rows]


COSTS = ("remake_cost", "spoil_cost", "cost")
COUNTS = ("remakes", "remakes_without_cost", "lenses_lost", "frames_lost", "lost_with_the_order", "spoilt_without_cost")


def test_remakes_and_spoil_by_branch(example):
    """Three pairs of two lenses were packed at the first, two at the second: spoil 2 of 2 + 6, and 1 of 1 + 4."""
    rows = remakes_and_spoil(asked(*example))
    assert losses(rows, "branch", *COUNTS) == [("MILL", "GBP", 1, 0, 2, 1, 1, 0), ("QUAY", "NZD", 1, 1, 1, 0, 0, 1)]
    assert losses(rows, "branch", *COSTS) == [
        ("MILL", "GBP", Decimal("8.00"), Decimal("43.60"), Decimal("51.60")),
        ("QUAY", "NZD", 0, 0, 0),
    ]
    assert losses(rows, "branch", "remake_share", "spoil_share") == [
        ("MILL", "GBP", Decimal("0.3333"), Decimal("0.2500")),
        ("QUAY", "NZD", Decimal("0.5000"), Decimal("0.2000")),
    ]


def test_remakes_and_spoil_by_cause_and_by_bearer(example):
    rows = remakes_and_spoil(asked(*example, by="cause"))
    assert losses(rows, "cause", "cost", "remake_share", "spoil_share") == [
        ("Axis off, or turned when blocking", "GBP", Decimal("8.00"), Decimal("0.3333"), Decimal("0.0000")),
        ("Chipped or flaked at the edge or bevel", "GBP", Decimal("4.20"), Decimal("0.0000"), Decimal("0.1250")),
        ("Dropped or lost on the bench", "NZD", Decimal(0), Decimal("0.0000"), Decimal("0.2000")),
        ("Frame snapped", "GBP", Decimal("31.00"), Decimal("0.0000"), Decimal("0.0000")),
        ("Scratched on the bench", "GBP", Decimal("4.20"), Decimal("0.0000"), Decimal("0.1250")),
        ("The order was called off", "GBP", Decimal("4.20"), Decimal("0.0000"), Decimal("0.0000")),
        ("The prescriber amended the prescription", "NZD", Decimal(0), Decimal("0.5000"), Decimal("0.0000")),
    ]
    assert losses(remakes_and_spoil(asked(*example, by="borne_by")), "borne_by", "cost") == [
        ("The prescriber", "NZD", 0),
        ("The shop", "GBP", Decimal("4.20")),
        ("The workshop", "GBP", Decimal("47.40")),
        ("The workshop", "NZD", 0),
    ]


def test_remakes_and_spoil_by_week(example):
    """E was lost on Sunday the 8th in UTC, which is Monday the 9th at its branch."""
    assert losses(remakes_and_spoil(asked(*example, by="week")), "week", "remakes", "lenses_lost", "cost") == [
        ("2026-W06", "GBP", 0, 1, Decimal("4.20")),
        ("2026-W06", "NZD", 0, 0, 0),
        ("2026-W07", "GBP", 1, 1, Decimal("47.40")),
        ("2026-W07", "NZD", 0, 1, 0),
        ("2026-W08", "NZD", 1, 0, 0),
    ]


@pytest.mark.parametrize("figures", [turnaround, right_first_time, remakes_and_spoil])
def test_a_branch_that_was_not_asked_for_is_not_told(example, figures):
    mill, quay = example
    assert [*figures(asked(mill)), *figures(asked(quay))] == figures(asked(mill, quay))


def test_nothing_made_gives_no_rows_and_no_shares(mill):
    assert turnaround(asked(mill)) == right_first_time(asked(mill)) == remakes_and_spoil(asked(mill)) == []
    [row] = remakes_and_spoil(asked(mill, by="total"))
    assert (row["cost"], row["remake_share"], row["spoil_share"]) == (0, None, None)


@pytest.mark.parametrize("report", [TURNAROUND, RIGHT_FIRST_TIME, REMAKES_AND_SPOIL], ids=lambda report: report.key)
def test_every_row_has_the_columns_that_are_defined(example, report):
    for by in (*report.groupings, TOTAL):
        rows = report.figures(asked(*example, by=by))
        assert rows or by == "person", "nobody is named as who glazed"
        for row in rows:
            assert set(row) - {"currency"} == {by, *(column.key for column in report.columns)}, by


# --- against the raw rows ------------------------------------------------------------------------------------------


@pytest.fixture
def handed_over(history):
    """The history of ``tests/quality``, most of its pairs handed over, some of them twice."""
    draw = random.Random(11)
    for job in Job.objects.everywhere("test").filter(attempt=1).select_related("order__branch").order_by("number"):
        inspection = Inspection.objects.everywhere("test").filter(job=job).latest("id")
        for _ in range(draw.choice([0, 1, 1, 2])):
            moment = job.finished_at + dt.timedelta(minutes=draw.randint(1, 9 * 24 * 60))
            Handover.objects.create(branch=job.branch, order=job.order, inspection=inspection, handed_over_at=moment)
    return history[0]


def labels(branch, moment):
    day = local(moment, branch).date()
    year, week, _ = day.isocalendar()
    return {"branch": branch.code, "day": str(day), "week": f"{year}-W{week:02}", "month": f"{day:%Y-%m}"}


def test_every_pair_of_a_history_is_in_the_turnaround(handed_over):
    """Each row counted anew, pair by pair and minute by minute (``working_minutes`` of the test of quality)."""
    raw = defaultdict(lambda: {"packed": [], "handed_over": []})
    first_handovers = {}
    for row in Handover.objects.everywhere("test").select_related("order", "branch").order_by("-handed_over_at"):
        first_handovers[row.order_id] = ("handed_over", row.branch, row.order.placed_at, row.handed_over_at)
    jobs = Job.objects.everywhere("test").filter(attempt=1).select_related("order", "branch")
    packed = [("packed", job.branch, job.order.placed_at, job.finished_at) for job in jobs]
    for name, branch, placed_at, end in [*packed, *first_handovers.values()]:
        if FIRST <= local(end, branch).date() <= LAST:
            days = (local(end, branch).date() - local(placed_at, branch).date()).days
            for by, label in labels(branch, end).items():
                raw[by, label][name].append((working_minutes(placed_at, end, branch), days))
    seen = 0
    for by in ("branch", "day", "week", "month"):
        for row in turnaround(asked(*handed_over, by=by, period=(FIRST, LAST))):
            for name, values in raw.pop((by, row[by])).items():
                assert row[name] == len(values), (by, row)
                for percent in (50, 90) if values else ():
                    minutes, days = ([value[place] for value in values] for place in (0, 1))
                    assert row[f"{name}_p{percent}_days"] == percentile(days, percent / 100)
                    hours = float(row[f"{name}_p{percent}_hours"])
                    # A minute is counted whole by the walk: one of doubt at most, and the rounding.
                    assert hours == pytest.approx(percentile(minutes, percent / 100) / 60, abs=0.04)
                    seen += 1
    assert not raw, "groups that the report does not have"
    assert seen > 50


def test_every_grouping_counts_the_same_losses(history):
    """Against the sums of the rows themselves."""
    branches = history[0]
    for job in Job.objects.everywhere("test").filter(attempt__gt=1):
        Job.objects.everywhere("test").filter(id=job.id).update(remake_cost=Decimal("7.35"))
    remade = Job.objects.everywhere("test").filter(attempt__gt=1).select_related("branch")
    again = [job for job in remade if FIRST <= local(job.created_at, job.branch).date() <= LAST]
    lost = [
        row
        for row in Breakage.objects.select_related("job__branch")
        if FIRST <= local(row.created_at, row.job.branch).date() <= LAST
    ]
    assert again
    assert lost
    for by in ("total", "branch", "cause", "borne_by", "day", "week", "month"):
        rows = remakes_and_spoil(asked(*branches, by=by, period=(FIRST, LAST)))
        total = {name: sum(row[name] for row in rows) for name in (*COUNTS, *COSTS)}
        assert total["remakes"] == len(again), by
        assert total["cost"] == total["remake_cost"] == len(again) * Decimal("7.35"), by
        pieces = total["lenses_lost"], total["frames_lost"], total["lost_with_the_order"]
        assert sum(pieces) == total["spoilt_without_cost"] == len(lost), by
        assert total["lost_with_the_order"] == sum(row.cause == "called_off" for row in lost), by


def test_the_cost_is_what_the_stock_ledger_wrote_off(bench, world, mill):
    """A lens is lost, the pair made again once packed, then called off while it is cut: every piece of it that left
    the stock by a write-off is in the report, once, at the cost of its lot."""
    actor = system("test")
    world.stock_lens("-4.00", "-1.00", 6)
    world.stock_lens("-4.50", "0.00", 6)
    bench.to_inspection()
    workshop.lens_break(actor=actor, job=bench.job, eye="left", step="glaze", reason="x", cause="chipped")
    bench.to_inspection()
    workshop.job_mark_inspected(actor=actor, job=bench.job)
    bench.pass_through("set_up", "pack")
    placed = Order.objects.everywhere("test").get()
    again = workshop.job_open(actor=actor, order=placed, remake_reason="x", cause="axis_off")
    bench.job_id = str(again.id)
    bench.to_inspection()
    order_cancel(actor=actor, order=placed, reason="x", cause="called_off")
    outbox.deliver_all()
    written_off = Movement.objects.everywhere("test").filter(kind="write_off")
    value = written_off.aggregate(value=Sum(-F("on_hand_change") * F("unit_cost")))["value"]
    [row] = remakes_and_spoil(asked(mill, by="total", period=(dt.date(2026, 3, 2), dt.date(2026, 3, 2))))
    assert losses([row], "total", *COUNTS) == [("Total", "GBP", 1, 0, 1, 0, 2, 0)]
    assert losses([row], "total", *COSTS) == [("Total", "GBP", Decimal("8.00"), Decimal("12.00"), Decimal("20.00"))]
    assert row["cost"] == value


# --- what it costs -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("figures", [turnaround, right_first_time, remakes_and_spoil])
def test_the_queries_do_not_grow_with_branches_or_pairs(example, queries, figures):
    def ask():
        figures(asked(*Branch.objects.filter(time_zone="Europe/London"), by="week"))

    one = queries(ask)
    pairs = Pairs()
    pairs.made = 100
    for branch in [BranchFactory() for _ in range(4)]:
        job = pairs.packed(branch, february(2, 10), february(3, 11), february(4, 12))
        pairs.lost(job, "left", "chipped", february(2, 15), Decimal("4.20"))
    assert Branch.objects.filter(time_zone="Europe/London").count() == 5
    assert queries(ask) == one
