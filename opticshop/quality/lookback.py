"""Look-back: which pairs were let through on the word of an instrument since its last good check."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import QuerySet

from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.instruments.models import Instrument
from opticshop.instruments.selectors import DoubtfulSpan, doubtful_span
from opticshop.workshop.models import Job, LensReading

from .models import Handover, Inspection
from .permissions import QualityPermission

#: Most rows of the answer; the file export has them all.
MOST_ROWS = 1000


@dataclass(frozen=True, slots=True)
class Passed:
    """One inspection or focimeter reading that passed; ``eye`` is empty for an inspection of the pair."""

    kind: str
    id: uuid.UUID
    eye: str
    passed_at: dt.datetime
    by: str
    job: Job
    handed_over: bool


@dataclass(frozen=True, slots=True)
class LookBack:
    instrument: Instrument
    span: DoubtfulSpan
    inspections: int
    readings: int
    jobs: int
    orders: int
    customers: int
    handed_over: int
    rows: list[Passed]

    @property
    def left_out(self) -> int:
        return self.inspections + self.readings - len(self.rows)


def look_back(
    actor: Actor,
    instrument: Instrument,
    *,
    since: dt.datetime | None = None,
    until: dt.datetime | None = None,
    most: int | None = MOST_ROWS,
) -> LookBack:
    """What passed with an instrument (already authorised) in its doubtful span, or in the one given, newest first.

    Jobs, orders, customers and pairs handed over are counted once each. A fixed number of queries.
    """
    span = doubtful_span(instrument)
    if since is not None or until is not None:
        span = DoubtfulSpan(since=since, until=until, good=None, failed=None)
    inspections, readings = _inspections(actor, instrument, span), _readings(actor, instrument, span)
    keys = {
        *inspections.values_list("job_id", "job__order_id", "job__order__customer_id"),
        *readings.values_list("job_id", "job__order_id", "job__order__customer_id"),
    }
    orders = {order for _, order, _ in keys}
    given = _handed_over(inspections, readings)
    counts = inspections.count(), readings.count()
    rows = sorted(_rows(inspections, readings, given, most), key=lambda row: (row.passed_at, row.id), reverse=True)
    return LookBack(
        instrument=instrument,
        span=span,
        inspections=counts[0],
        readings=counts[1],
        jobs=len({job for job, _, _ in keys}),
        orders=len(orders),
        customers=len({customer for _, _, customer in keys}),
        handed_over=len(orders & given),
        rows=rows[:most],
    )


def _inspections(actor: Actor, instrument: Instrument, span: DoubtfulSpan) -> BranchQuerySet[Inspection]:
    found = Inspection.objects.visible_to(actor, QualityPermission.VIEW)
    found = found.filter(used_instruments__instrument=instrument, outcome=Inspection.Outcome.PASS)
    if span.since is not None:
        found = found.filter(inspected_at__gt=span.since)
    return found if span.until is None else found.filter(inspected_at__lt=span.until)


def _readings(actor: Actor, instrument: Instrument, span: DoubtfulSpan) -> QuerySet[LensReading]:
    jobs = Job.objects.visible_to(actor, QualityPermission.VIEW)
    found = LensReading.objects.filter(job__in=jobs.values("id"), instrument=instrument, outcome="pass")
    if span.since is not None:
        found = found.filter(read_at__gt=span.since)
    return found if span.until is None else found.filter(read_at__lt=span.until)


def _handed_over(inspections: BranchQuerySet[Inspection], readings: QuerySet[LensReading]) -> set[uuid.UUID]:
    """The orders among these that the customer has already taken away."""
    given = Handover.objects.everywhere("of orders the caller may see")
    found = given.filter(order__in=inspections.values("job__order_id")).values_list("order_id", flat=True)
    more = given.filter(order__in=readings.values("job__order_id")).values_list("order_id", flat=True)
    return {*found, *more}


def _rows(
    inspections: BranchQuerySet[Inspection],
    readings: QuerySet[LensReading],
    given: set[uuid.UUID],
    most: int | None,
) -> Iterator[Passed]:
    about = ("job__order__customer", "job__branch")
    for inspection in inspections.select_related(*about, "inspected_by").order_by("-inspected_at", "-id")[:most]:
        job, by = inspection.job, str(inspection.inspected_by or "")
        yield Passed("inspection", inspection.id, "", inspection.inspected_at, by, job, job.order_id in given)
    for reading in readings.select_related(*about, "read_by").order_by("-read_at", "-id")[:most]:
        job, by = reading.job, str(reading.read_by or "")
        yield Passed("reading", reading.id, reading.eye, reading.read_at, by, job, job.order_id in given)
