"""Writes of gauge studies: computed from the readings given, and kept with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from decimal import Decimal

from django.db import transaction

from opticshop import spc
from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.instruments.models import Instrument

from .charts_models import GaugeStudy
from .permissions import QualityPermission

GAUGE_STUDIED = "quality.gauge_studied"  # {study, instrument, method, gauge_percent, categories}
_COMPUTED = {GaugeStudy.Method.ANOVA: spc.gauge_anova, GaugeStudy.Method.AVERAGE_RANGE: spc.gauge_average_range}


class StudyNotComputable(Invalid):
    """The readings are no crossed study: each operator measures each part equally often, twice or more."""

    code = "quality.study_not_computable"
    title = "These readings make no gauge study"


class InstrumentElsewhere(Invalid):
    """The instrument belongs to another branch than the study."""

    code = "quality.instrument_elsewhere"
    title = "This instrument is at another branch"


def study_record(
    *,
    actor: Actor,
    branch: Branch,
    title: str,
    unit: str,
    readings: Sequence[Sequence[Sequence[Decimal]]],
    operators: Sequence[str],
    parts: Sequence[str],
    method: str = GaugeStudy.Method.ANOVA,
    tolerance: Decimal | None = None,
    instrument: Instrument | None = None,
) -> GaugeStudy:
    """Compute a crossed gauge study and keep it; ``readings`` are [operator][part][trial].

    Raises StudyNotComputable, InstrumentElsewhere.
    """
    actor.require(QualityPermission.INSPECT, branch.id)
    if instrument is not None and instrument.branch_id != branch.id:
        raise InstrumentElsewhere(field="instrument")
    if len(operators) != len(readings) or any(len(row) != len(parts) for row in readings):
        raise StudyNotComputable("Name each operator and each part of the readings.", field="readings")
    numbers = [[[float(value) for value in trials] for trials in row] for row in readings]
    try:
        study = _COMPUTED[GaugeStudy.Method(method)](numbers, tolerance=None if tolerance is None else float(tolerance))
    except spc.SpcError as error:
        raise StudyNotComputable(f"{str(error)[:1].upper()}{str(error)[1:]}.", field="readings") from error
    with transaction.atomic():
        row = GaugeStudy.objects.create(
            branch=branch,
            title=title,
            instrument=instrument,
            unit=unit,
            method=method,
            tolerance=tolerance,
            operators=list(operators),
            parts=list(parts),
            readings=[[[f"{value.normalize():f}" for value in trials] for trials in part] for part in readings],
            result={**asdict(study), "gauge_percent": study.gauge_percent},
            studied_at=clock.now(),
            studied_by_id=actor.id,
        )
        outbox.record(
            event_type=GAUGE_STUDIED,
            subject=f"gauge-studies/{row.id}",
            actor=actor,
            branch_id=branch.id,
            data={
                "study": str(row.id),
                "instrument": str(instrument.id) if instrument else None,
                "method": study.method,
                "gauge_percent": round(study.gauge_percent, 1),
                "categories": study.categories,
            },
        )
    return row
