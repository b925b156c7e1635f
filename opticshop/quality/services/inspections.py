"""The final inspection: measured, judged by a tolerance standard, looked over, and kept as it was."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db import transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.plugin_api import Verdict, json_ready
from opticshop.workshop import judging as bench
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, StepKind

from .. import events, judging
from .. import visual as looking
from ..models import Inspection
from ..permissions import QualityPermission

Outcome = Inspection.Outcome


def inspection_record(
    *,
    actor: Actor,
    job: Job,
    readings: judging.Readings,
    visual: Mapping[str, Mapping[str, Any]],
    standard: str | None = None,
    redo_from: str = StepKind.VERIFY,
) -> Inspection:
    """Inspect a glazed pair by a standard (the branch's own unless another is named).

    A pass closes the inspection step. A failed pair stops the job with the reasons and sends the work back to
    ``redo_from``. Undecided or incomplete leaves the job where it is and says what is missing: record another then.
    Raises StepOutOfOrder or NotOnTheBench while the pair is not ready for it, and what the plugin host says when the
    standard is not available; then nothing is recorded.
    """
    actor.require(QualityPermission.INSPECT, job.branch_id)
    with transaction.atomic():
        job = workshop.inspection_begin(actor=actor, job=job)
        lenses = list(job.order.lenses.select_related("product"))
        findings = looking.findings(visual)
        request = judging.inspection_request(lenses, readings, findings)
        judged = bench.judged(
            branch=job.branch, standard_key=standard or job.branch.tolerance_standard, request=request
        )
        unseen = [
            f"visual.{check.name}"
            for check in looking.needed_checks(lens.product for lens in lenses)
            if check.name not in visual
        ]
        outcome = _outcome(judged.verdict, findings, unseen)
        inspection = Inspection.objects.create(
            branch=job.branch,
            job=job,
            standard=judged.standard,
            standard_version=judged.version,
            readings=json_ready(readings),
            visual=json_ready(visual),
            outcome=outcome,
            verdict=judged.verdict.to_dict(),
            missing=[*judged.verdict.missing, *unseen],
            reasons=_reasons(judged.verdict, findings),
            leaned_on_unconfirmed=judged.verdict.leaned_on_unconfirmed,
            inspected_at=clock.now(),
            inspected_by_id=actor.id,
        )
        if outcome == Outcome.PASS:
            inspection.job = workshop.job_mark_inspected(actor=actor, job=job)
        elif outcome == Outcome.FAIL:
            why = f"Failed by {judged.verdict.standard_title}. {' '.join(inspection.reasons)}"
            inspection.job = workshop.job_reject(actor=actor, job=job, reason=why, redo_from=redo_from)
        outbox.record(
            event_type=events.INSPECTED,
            subject=f"inspections/{inspection.id}",
            actor=actor,
            branch_id=job.branch_id,
            data={
                "inspection": str(inspection.id),
                "job": str(job.id),
                "order": str(job.order_id),
                "outcome": str(outcome),
                "standard": judged.standard,
            },
        )
    return inspection


def _outcome(verdict: Verdict, findings: list[str], unseen: list[str]) -> Outcome:
    """Fail before incomplete before undecided before pass, over what was measured and what was seen."""
    if verdict.outcome == "fail" or findings:
        return Outcome.FAIL
    if verdict.outcome == "incomplete" or unseen:
        return Outcome.INCOMPLETE
    return Outcome(verdict.outcome)


def _reasons(verdict: Verdict, findings: list[str]) -> list[str]:
    return [*bench.reasons(verdict, "fail"), *bench.reasons(verdict, "undecided"), *findings]
