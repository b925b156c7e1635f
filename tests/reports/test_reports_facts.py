"""Daily facts: with them every report says what it says without, whatever happens and whenever days are built.

What a report must say is held by hand and by other ways of counting in the other tests of this folder; here the same
report is asked with and without facts, and some of those examples are asked again with facts.
"""

from __future__ import annotations

import datetime as dt
import os
from collections import Counter
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from opticshop.branches.models import Branch, Closure
from opticshop.core import clock
from opticshop.core.percentiles import nearest_rank
from opticshop.orders.models import Order, OrderedLens, Promise, Quotation
from opticshop.quality.models import Handover, PairReturn
from opticshop.reports.facts import building, triggers
from opticshop.reports.facts.building import Stretch, due, facts_begin, facts_renew, stretch_build
from opticshop.reports.facts.histograms import nearest_rank_seen
from opticshop.reports.facts.models import FactDay, OrderFact, StaleDays
from opticshop.reports.facts.reading import WHY, kinds, wanting, without_facts
from opticshop.reports.registry import TOTAL, Scope, all_reports, report_of
from opticshop.workshop.models import Job
from tests.billing.test_billing_books_property import STEPS, Shop
from tests.conftest import NOON
from tests.factories import CustomerFactory, OrderFactory
from tests.quality.test_quality_figures import history
from tests.together import at_once

from .test_reports_money import DAY, over
from .test_reports_workshop import Pairs, asked, handed_over, shops, turnaround
from .test_reports_workshop import example as pairs_example

pytestmark = pytest.mark.django_db
__all__ = ["handed_over", "history", "pairs_example", "shops"]
EXAMPLES = int(os.environ.get("OPTICSHOP_FACTS_EXAMPLES", "2"))
#: Groupings that are put together as others are.
SPARED = ("branch", "week", "month")
#: The reports that read facts.
KEYS = (
    "conversion",
    "orders-placed",
    "promises-kept",
    "remakes-and-spoil",
    "right-first-time",
    "sales-and-margin",
    "turnaround",
)


def build(*branches, since=dt.date(2026, 1, 25)):
    for branch in branches:
        facts_begin(branch, since)
    building.marks_tidy([branch.id for branch in branches])
    for stretch in due(branches):
        assert stretch_build(stretch) == len(stretch.cells())


def all_said(scope_of, but=()):
    """(report, grouping) -> its rows, without some groupings."""
    return {
        (key, by): list(report_of(key).figures(scope_of(by)))
        for key in KEYS
        for by in (TOTAL, *report_of(key).groupings)
        if by not in but
    }


def same_with_and_without(scope_of, but=()):
    with_facts = all_said(scope_of, but)
    with without_facts():
        assert with_facts == all_said(scope_of, but)
    return with_facts


@pytest.fixture
def facts_only():
    """Within, a count of raw rows fails."""
    raw = {name: kind.raw for name, kind in kinds.items()}

    def refuse(scope, daily):
        raise AssertionError(f"raw rows are counted for {scope}")

    class Only:
        def __enter__(self):
            for kind in kinds.values():
                object.__setattr__(kind, "raw", refuse)

        def __exit__(self, *_):
            for name, kind in kinds.items():
                object.__setattr__(kind, "raw", raw[name])

    return Only()


def test_the_reports_that_read_facts_are_those_of_the_list():
    assert {report.key for report in all_reports()} >= set(KEYS)
    assert triggers.are_in_place(connection)


@settings(max_examples=300, deadline=None)
@given(values=st.lists(st.integers(0, 40), max_size=60), percent=st.integers(1, 100))
def test_a_percentile_of_counted_values_is_that_of_the_values(values, percent):
    assert nearest_rank_seen(Counter(values), percent) == nearest_rank(values, percent)


def test_a_history_of_two_time_zones_is_told_by_facts_alone(handed_over, facts_only):
    """The history that ``tests/quality`` counts one by one; then nothing is left to be read raw."""
    build(*handed_over)
    with clock.at(NOON + dt.timedelta(days=60)):
        build(*handed_over)

        def scope_of(by):
            return Scope(dt.date(2026, 1, 26), dt.date(2026, 3, 20), tuple(handed_over), by)

        found = same_with_and_without(scope_of)
        assert all(found[key, "day"] for key in KEYS if key not in ("conversion", "sales-and-margin"))
        with facts_only:
            assert all_said(scope_of) == found


def test_the_example_by_hand_is_told_by_facts(pairs_example, facts_only):
    """The times of ``test_turnaround_by_branch``, and the ages of a branch thirteen hours ahead."""
    build(*pairs_example)
    with facts_only:
        rows = turnaround(asked(*pairs_example))
    assert [(row["branch"], str(row["packed_p50_hours"]), str(row["packed_p90_hours"])) for row in rows] == [
        ("MILL", "9.50", "34.00"),
        ("QUAY", "1.00", "2.00"),
    ]


def test_a_change_is_told_at_once_and_the_day_is_built_again(pairs_example, facts_only):
    """Without any duty in between: an inspection of the past is taken back, and another time zone moves the days."""
    mill, quay = pairs_example
    build(mill, quay)
    job = Job.objects.everywhere("test").filter(branch=mill, attempt=1).earliest("finished_at")
    job.inspections.filter(outcome="fail").update(outcome="undecided")
    assert wanting(asked(mill))[mill.id] == {dt.date(2026, 2, 3)}
    Branch.objects.filter(id=quay.id).update(time_zone="America/Lima")
    quay.refresh_from_db()
    assert len(wanting(asked(quay))[quay.id]) == 28
    found = same_with_and_without(lambda by: asked(mill, quay, by=by), but=SPARED)
    while facts_renew():
        pass
    assert not any(wanting(asked(mill, quay)).values())
    with clock.at(NOON + dt.timedelta(days=45)), facts_only:  # so much later all is settled
        told = {"turnaround": turnaround(asked(mill, quay, by="day"))}
    assert told["turnaround"] == found["turnaround", "day"]


def test_a_closure_of_the_past_changes_waits_and_one_to_come_none(pairs_example):
    mill, quay = pairs_example
    build(mill, quay)
    Closure.objects.create(branch=mill, first_on=dt.date(2026, 5, 1), last_on=dt.date(2026, 5, 2), reason="x")
    assert wanting(asked(mill))[mill.id] == set()
    Closure.objects.create(branch=mill, first_on=dt.date(2026, 2, 10), last_on=dt.date(2026, 2, 11), reason="x")
    fresh = Branch.objects.get(id=mill.id)
    assert min(wanting(asked(fresh))[mill.id]) == dt.date(2026, 2, 10)
    before = same_with_and_without(lambda by: asked(fresh, by=by), but=SPARED)
    facts_renew()
    assert wanting(asked(fresh))[mill.id] == set()
    assert all_said(lambda by: asked(Branch.objects.get(id=mill.id), by=by), but=SPARED) == before


def test_a_day_that_is_not_over_is_never_built(mill):
    assert stretch_build(Stretch((mill,), DAY - dt.timedelta(days=1), DAY)) == 0
    facts_begin(mill, DAY - dt.timedelta(days=3))
    assert max(stretch.last for stretch in due([mill])) == DAY - dt.timedelta(days=1)
    assert facts_renew() == 3
    assert facts_renew() == 0


def test_nothing_is_built_where_changes_would_not_be_marked(mill):
    with connection.cursor() as cursor:
        table = " ON orders_order" if connection.vendor == "postgresql" else ""
        cursor.execute(f'DROP TRIGGER "orders_order_fact_update"{table}')
    try:
        with pytest.raises(building.TriggersMissing):
            facts_renew()
        with pytest.raises(CommandError, match="migrate"):
            call_command("facts_build", stdout=StringIO())
    finally:
        assert triggers.install(connection) == 1
    assert triggers.are_in_place(connection)


def test_the_commands_fill_prove_and_mend(pairs_example):
    mill, _ = pairs_example
    said = StringIO()
    call_command("facts_build", stdout=said)
    assert "2026-02: 54 days of 2 branches built." in said.getvalue()
    said = StringIO()
    call_command("facts_build", stdout=said)
    assert said.getvalue() == "The facts are built.\n", "what is built is not built again"
    call_command("facts_verify", stdout=StringIO())
    # A write that leaves no mark, as a source that was forgotten would be.
    Job.objects.everywhere("test").filter(branch=mill, attempt=1).update(promised_on=dt.date(2026, 1, 1))
    StaleDays.objects.everywhere("test").all().delete()
    said = StringIO()
    with pytest.raises(CommandError) as refused:
        call_command("facts_verify", since=dt.date(2026, 2, 3), until=dt.date(2026, 2, 3), mend=True, stdout=said)
    assert refused.value.returncode == 1
    assert "MILL 2026-02-03 made on_last_promise: kept 1, by the raw rows 0" in said.getvalue()
    assert wanting(asked(mill))[mill.id] == {dt.date(2026, 2, 1), dt.date(2026, 2, 3)}, "the first was never built"
    with pytest.raises(CommandError):
        call_command("facts_verify", stdout=StringIO())
    call_command("facts_verify", until=dt.date(2026, 2, 8), sample=50, stdout=StringIO())


@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_a_change_in_the_midst_of_building_is_not_lost(mill, monkeypatch):
    """The rows are counted already when somebody else writes of that day, and another worker comes to build it."""
    if connection.vendor != "postgresql":
        pytest.skip("SQLite has one writer at a time")
    day, customer = DAY - dt.timedelta(days=1), CustomerFactory(branch=mill)
    stretch, outcomes, plain = Stretch((mill,), day, day), [], building.counted_raw
    facts_begin(mill, day)

    def counted_while_others_write(stretch):
        found = plain(stretch)
        placed_at = NOON - dt.timedelta(days=1)
        outcomes.extend(
            at_once([lambda: OrderFactory(customer=customer, placed_at=placed_at), lambda: stretch_build(stretch)])
        )
        return found

    monkeypatch.setattr(building, "counted_raw", counted_while_others_write)
    assert stretch_build(stretch) == 1
    monkeypatch.undo()
    assert outcomes[1] == 0, "the other worker passed on"
    scope = over(mill, since=day)
    assert OrderFact.objects.everywhere("test").count() == 0
    assert wanting(scope)[mill.id] == {day}
    assert [row["orders"] for row in report_of("orders-placed").figures(scope)] == [1]
    assert facts_renew() == 1
    assert wanting(scope)[mill.id] == set()
    assert [row["orders"] for row in report_of("orders-placed").figures(scope)] == [1]


def test_the_number_of_queries_does_not_grow_with_stale_days(pairs_example, queries):
    mill, quay = pairs_example
    build(mill, quay)
    period, counts = (dt.date(2026, 1, 26), dt.date(2026, 2, 28)), {}

    def asked_again():
        found = {}
        for key in KEYS:
            scope = asked(*Branch.objects.order_by("code"), by="week", period=period)
            found[key] = queries(lambda key=key, scope=scope: report_of(key).figures(scope))
        return found

    counts["fit"] = asked_again()
    for days in (6, 9):
        marks = [dt.date(2026, 1, 27) + dt.timedelta(days=3 * place) for place in range(days)]
        StaleDays.objects.everywhere("test").bulk_create(
            StaleDays(branch=branch, first_day=day, last_day=day) for day in marks for branch in (mill, quay)
        )
        counts[days] = asked_again()
    assert counts[6] == counts[9]
    assert counts["fit"]["conversion"] == 3


# --- whatever happens ----------------------------------------------------------------------------------------------

WHICH = st.integers(0, 5)
AGO = st.integers(0, 6)
MORE = st.one_of(
    STEPS,
    st.tuples(st.just("renew"), st.integers(1, 3)),
    st.tuples(st.just("renew"), st.integers(1, 3)),
    st.tuples(st.just("tomorrow"), st.integers(1, 2)),
    st.tuples(st.just("offer"), AGO),
    st.tuples(st.just("decide"), WHICH, st.sampled_from(["accepted", "withdrawn", "expired"])),
    st.tuples(st.just("pack"), WHICH, AGO),
    st.tuples(st.just("unpack"), WHICH),
    st.tuples(st.just("again"), WHICH, AGO, st.sampled_from(["axis_off", "prescriber_change"])),
    st.tuples(st.just("lose"), WHICH, AGO, st.sampled_from(["chipped", "called_off"])),
    st.tuples(st.just("hand"), WHICH, AGO),
    st.tuples(st.just("back"), WHICH, AGO),
    st.tuples(st.just("move_order"), WHICH, AGO),
    st.tuples(st.just("promise"), WHICH, AGO),
    st.tuples(st.just("zone"), st.sampled_from(["Europe/London", "Pacific/Auckland"])),
    st.tuples(st.just("close_day"), AGO),
    st.tuples(st.just("gone"), WHICH),
)


class Bench(Shop):
    """The shop of the books, with offers and a bench whose rows are written as they might be: also of days before."""

    def __init__(self, branch):
        super().__init__(branch)
        self.pairs, self.made = Pairs(), 0

    def do(self, step):
        """Some of these rows cannot be written twice; then nothing happens."""
        name, *rest = step
        if name not in Bench.__dict__:
            return super().do(step)
        if self.orders or name in ("renew", "offer", "zone", "close_day"):
            event(name)
            getattr(self, name)(*rest)

    def ago(self, days):
        return clock.now() - dt.timedelta(days=days, hours=days)

    def renew(self, most):
        branch = Branch.objects.get(id=self.branch.id)
        building.marks_tidy([branch.id])
        for stretch in due([branch])[:most]:
            assert stretch_build(stretch)

    def offer(self, days):
        self.made += 1
        order = OrderFactory(customer=self.customers[0], number=f"Q{self.made}", placed_at=self.ago(days))
        Quotation.objects.create(
            branch=self.branch,
            number=f"Q{self.made}",
            customer=order.customer,
            prescription=order.prescription,
            measurement=order.measurement,
            frame=order.frame,
            quoted_at=self.ago(days),
            quoted_on=self.ago(days).date(),
            valid_to=self.ago(days).date(),
            currency="GBP",
            total=100,
            tax_total=0,
        )

    def decide(self, which, state):
        offers = list(Quotation.objects.everywhere("test").order_by("id"))
        if offers:
            rows = Quotation.objects.everywhere("test").filter(id=offers[which % len(offers)].id)
            rows.update(state=state, withdrawn_reason="x")

    def job_of(self, which):
        return Job.objects.everywhere("test").filter(order=self.order(which), attempt=1).first()

    def pack(self, which, days):
        order = self.order(which)
        if self.job_of(which) is None:
            job = self.pairs.job(order, 1, order.placed_at, state="finished", finished_at=self.ago(days))
            self.pairs.inspected(job, "pass" if days % 2 else "fail")
            lens = {"centration_distance_mm": "32", "centration_height_mm": "20", "cylinder_dpt": "0"}
            OrderedLens.objects.create(order=order, eye="right", product=self.pairs.product, sphere_dpt="-1.00", **lens)

    def unpack(self, which):
        Job.objects.everywhere("test").filter(order=self.order(which), attempt=1).update(state="cancelled")

    def again(self, which, days, cause):
        order = self.order(which)
        attempt = Job.objects.everywhere("test").filter(order=order).count() + 1
        if attempt > 1:
            more = {"remake_reason": "x", "remake_cause": cause, "remake_cost": 8 if days else None}
            self.pairs.job(order, attempt, self.ago(days), state="cancelled", **more)

    def lose(self, which, days, cause):
        job = self.job_of(which)
        if job is not None:
            self.pairs.lost(job, "left" if days % 2 else "frame", cause, self.ago(days), cost=4 if days else None)

    def hand(self, which, days):
        job = self.job_of(which)
        if job is not None:
            inspection = job.inspections.first()
            Handover.objects.create(
                branch=self.branch, order=job.order, inspection=inspection, handed_over_at=self.ago(days)
            )

    def back(self, which, days):
        order = self.order(which)
        rows = PairReturn.objects.everywhere("test").filter(order=order)
        rows.delete()
        PairReturn.objects.create(
            branch=self.branch, order=order, cause="non_tolerance", eye="both", words="x", reported_at=self.ago(days)
        )

    def move_order(self, which, days):
        Order.objects.everywhere("test").filter(id=self.order(which).id).update(placed_at=self.ago(days))

    def promise(self, which, days):
        day = self.ago(days).date()
        Promise.objects.create(order=self.order(which), promised_on=day, reason="x", made_at=clock.now())
        Job.objects.everywhere("test").filter(order=self.order(which)).update(promised_on=day)

    def zone(self, name):
        Branch.objects.filter(id=self.branch.id).update(time_zone=name)

    def close_day(self, days):
        day = self.ago(days).date()
        Closure.objects.create(branch=self.branch, first_on=day, last_on=day, reason="x")

    def gone(self, which):
        order = self.order(which)
        Handover.objects.everywhere("test").filter(order=order).delete()
        Order.objects.everywhere("test").filter(id=order.id).update(total=order.total + 1)


def asked_of(branch, day):
    return lambda by: Scope(DAY - dt.timedelta(days=8), DAY + dt.timedelta(days=day), (branch,), by)


@settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps=st.lists(MORE, min_size=8, max_size=20))
@example(
    steps=[
        ("advance", 0, 3),
        ("pack", 0, 2),
        ("tomorrow", 2),
        ("renew", 3),
        ("refund", 0, "0.1"),
        ("again", 0, 1, "axis_off"),
        ("lose", 0, 1, "chipped"),
        ("renew", 1),
        ("hand", 0, 1),
        ("hand", 0, 2),
        ("cancel", 0),
        ("gone", 0),
        ("deliver",),
        ("renew", 3),
        ("back", 0, 1),
    ]
)
def test_with_facts_every_report_says_what_it_says_without(mill, steps):
    with transaction.atomic():
        bench = Bench(mill)
        facts_begin(mill, DAY - dt.timedelta(days=8))
        first = [("place", [(("standard", "20"), 16_000), (("exempt", "0"), 6_000)], 0), ("pay", 0, "0.5", "card")]
        for step in [*first, ("tomorrow", 1), ("renew", 2), *steps]:
            with clock.at(NOON + dt.timedelta(days=bench.day)):
                bench.do(step)
        with clock.at(NOON + dt.timedelta(days=bench.day)):
            branch = Branch.objects.get(id=mill.id)
            same_with_and_without(asked_of(branch, bench.day), but=SPARED)
            bench.renew(20)
            assert FactDay.objects.everywhere(WHY).count() >= 7 + bench.day
            call_command("facts_verify", stdout=StringIO())
        transaction.set_rollback(True)
