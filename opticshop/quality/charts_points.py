"""Points for the charts, copied out of the verdicts of inspections and focimeter readings."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Any

from django.db import transaction

from opticshop.instruments.kinds import InstrumentKind
from opticshop.workshop.models import Job, JobStep, LensReading, StepKind

from .charts_models import DeviationPoint
from .models import Inspection

Of = DeviationPoint.Of
#: Who works with these made the lens what the final inspection finds; the later one first.
_MADE_AT = (StepKind.HAND_EDGE, StepKind.EDGE)
#: Units of what each kind of instrument measures.
_MEASURES: dict[str, frozenset[str]] = {
    InstrumentKind.FOCIMETER: frozenset({"D", "Δ", "°"}),
    InstrumentKind.PUPILMETER: frozenset({"mm"}),
    InstrumentKind.RULER: frozenset({"mm"}),
}
_PLACES = Decimal("0.001")
_BATCH = 200


def points_of_inspection(inspection_id: uuid.UUID) -> int:
    """Write the points of an inspection anew; returns how many."""
    return _rewrite(Of.INSPECTION, _inspections().filter(id=inspection_id))


def points_of_reading(reading_id: uuid.UUID) -> int:
    """Write the points of a focimeter reading anew; returns how many."""
    return _rewrite(Of.READING, _readings().filter(id=reading_id))


def points_rebuild() -> int:
    """Write all points anew from what is stored, in batches; returns how many. Safe to run at any time."""
    total = 0
    for of, rows in ((Of.INSPECTION, _inspections()), (Of.READING, _readings())):
        last = None
        while True:
            following = rows.order_by("id") if last is None else rows.filter(id__gt=last).order_by("id")
            batch = list(following[:_BATCH])
            if not batch:
                break
            total += _rewrite(of, batch)
            last = batch[-1].id
    return total


def _inspections() -> Any:
    rows = Inspection.objects.everywhere("the charts' own copy").select_related("job")
    return rows.prefetch_related("job__order__lenses", "job__steps", "used_instruments__instrument")


def _readings() -> Any:
    return LensReading.objects.select_related("job").prefetch_related("job__order__lenses")


def _rewrite(of: str, rows: Iterable[Any]) -> int:
    found = list(rows)
    points = [point for row in found for point in _points(of, row)]
    with transaction.atomic():
        old = DeviationPoint.objects.everywhere("the charts' own copy").filter(
            of=of, of_id__in=[row.id for row in found]
        )
        old.delete()
        DeviationPoint.objects.bulk_create(points)
    return len(points)


def _points(of: str, row: Any) -> Iterator[DeviationPoint]:
    job: Job = row.job
    products = {lens.eye: lens.product_id for lens in job.order.lenses.all()}
    inspected = of == Of.INSPECTION
    for line in row.verdict["lines"]:
        deviation = _deviation(line)
        if deviation is None:
            continue
        yield DeviationPoint(
            branch_id=job.branch_id,
            of=of,
            of_id=row.id,
            job=job,
            parameter=line["parameter"],
            eye=line["eye"],
            unit=line["unit"],
            deviation=deviation.quantize(_PLACES),
            limit=None if line["limit"] is None else Decimal(line["limit"]).quantize(_PLACES),
            instrument_id=_instrument_id(row, line["unit"]),
            product_id=_product(products, line["eye"]),
            bench_id=job.bench_id,
            made_by_id=_maker(job) if inspected else None,
            measured_by_id=row.inspected_by_id if inspected else row.read_by_id,
            measured_at=row.inspected_at if inspected else row.read_at,
        )


def _instrument_id(row: Any, unit: str) -> uuid.UUID | None:
    """The instrument that measured a quantity: the only one used that can, or nobody knows which."""
    if isinstance(row, LensReading):
        return row.instrument_id
    able = [used.instrument for used in row.used_instruments.all() if unit in _MEASURES.get(used.instrument.kind, ())]
    return able[0].id if len(able) == 1 else None


def _deviation(line: Mapping[str, Any]) -> Decimal | None:
    """Measured minus ordered. A verdict gives the angle between two axes without a sign: here it gets one."""
    if line["deviation"] is None:
        return None
    if line["parameter"] != "axis" or line["ordered"] is None or line["measured"] is None:
        return Decimal(line["deviation"])
    turned = (Decimal(line["measured"]) - Decimal(line["ordered"]) + 90) % 180
    return (turned + 180 if turned < 0 else turned) - 90


def _product(products: Mapping[str, uuid.UUID], eye: str) -> uuid.UUID | None:
    """The lens product of an eye; of the pair where both eyes have the same."""
    if eye in products:
        return products[eye]
    both = set(products.values())
    return both.pop() if len(both) == 1 else None


def _maker(job: Job) -> uuid.UUID | None:
    done = {step.kind: step.by_id for step in job.steps.all() if step.state == JobStep.State.DONE}
    return next((done[kind] for kind in _MADE_AT if done.get(kind)), None)
