"""The final inspection: measured, judged by a tolerance standard, looked over, and kept as it was."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction

from opticshop.branches.models import Branch
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.instruments.models import Instrument
from opticshop.plugin_api import Verdict, json_ready
from opticshop.workshop import judging as bench
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, StepKind

from .. import events, instrumentation, judging, selectors, supervision
from .. import visual as looking
from ..models import Inspection, UsedInstrument
from ..permissions import QualityPermission
from ..repeating import Repeat

Outcome = Inspection.Outcome


class NothingToConfirm(Conflict):
    """A second person confirms the latest passed inspection of a pair that still stands at the inspection, once."""

    code = "quality.nothing_to_confirm"
    title = "This inspection waits for no second person"


class SecondMustDiffer(Conflict):
    """Whoever inspected the pair cannot confirm it."""

    code = "quality.second_must_differ"
    title = "Another person must confirm"


class DisagreementUnexplained(Invalid):
    """Who does not agree with a pass says what is wrong."""

    code = "quality.disagreement_unexplained"
    title = "Say what is wrong"


class StandardNotOfBranch(Conflict):
    """A pair is judged by the standard that its branch has chosen; whoever inspects cannot pick a wider one."""

    code = "quality.standard_not_of_branch"
    title = "The branch inspects by another standard"


def _standard_of(branch: Branch, named: str | None) -> str:
    if named and named != branch.tolerance_standard:
        raise StandardNotOfBranch(
            f"{branch.code} inspects by {branch.tolerance_standard}; head office may change that.",
            field="standard",
            allowed=branch.tolerance_standard,
        )
    return branch.tolerance_standard


def inspection_record(
    *,
    actor: Actor,
    job: Job,
    readings: judging.Readings,
    visual: Mapping[str, Mapping[str, Any]],
    standard: str | None = None,
    redo_from: str = StepKind.VERIFY,
    instruments: Sequence[Instrument] = (),
    repeats: Sequence[Repeat] = (),
    disagreements: Sequence[str] = (),
    supervised_by: uuid.UUID | None = None,
) -> Inspection:
    """Inspect a glazed pair by the standard of its branch; naming another is refused.

    A pass closes the inspection step, at once or, where the branch asks for it, when a second person confirms. A failed
    pair stops the job with the reasons and sends the work back to ``redo_from``. Undecided or incomplete leaves the job
    where it is and says what is missing: record another then. Readings that disagree decide nothing. A registrant who
    is named supervised this check; it is kept with the order.

    Raises StepOutOfOrder or NotOnTheBench while the pair is not ready for it, what the register of instruments refuses,
    and what the plugin host says when the standard is not available; then nothing is recorded.
    """
    actor.require(QualityPermission.INSPECT, job.branch_id)
    with transaction.atomic():
        job = workshop.inspection_begin(actor=actor, job=job)
        used = instrumentation.checked(job.branch, instruments)
        uncertainty = instrumentation.uncertainty_of(used, readings.get("instrument_uncertainty"))
        readings = {**readings, **({"instrument_uncertainty": uncertainty} if uncertainty else {})}
        lenses = list(job.order.lenses.select_related("product"))
        findings = looking.findings(visual)
        request = judging.inspection_request(lenses, readings, findings)
        judged = bench.judged(branch=job.branch, standard_key=_standard_of(job.branch, standard), request=request)
        unseen = [
            f"visual.{check.name}"
            for check in looking.needed_checks(lens.product for lens in lenses)
            if check.name not in visual
        ]
        outcome = _outcome(judged.verdict, findings, unseen, disagreements)
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
            reasons=[*disagreements, *_reasons(judged.verdict, findings)],
            leaned_on_unconfirmed=judged.verdict.leaned_on_unconfirmed,
            repeats=[each.to_dict() for each in repeats],
            needs_second=outcome == Outcome.PASS and job.branch.second_check,
            instrument=instrumentation.of_powers(used),
            inspected_at=clock.now(),
            inspected_by_id=actor.id,
        )
        UsedInstrument.objects.bulk_create(
            UsedInstrument(
                inspection=inspection, instrument=each.instrument, calibration=each.calibration, flag=each.flag[:500]
            )
            for each in used
        )
        if supervised_by is not None:
            supervision.stage_keep(
                actor=actor,
                order=job.order,
                branch=job.branch,
                stage=supervision.Stage.FINAL_CHECK,
                supervisor=supervision.registrant_at(job.branch, supervised_by),
            )
        if outcome == Outcome.PASS and not inspection.needs_second:
            inspection.job = workshop.job_mark_inspected(actor=actor, job=job)
        elif outcome == Outcome.FAIL:
            why = f"Failed by {judged.verdict.standard_title}. {' '.join(inspection.reasons)}"
            inspection.job = workshop.job_reject(actor=actor, job=job, reason=why, redo_from=redo_from)
        _record(events.INSPECTED, inspection, actor, outcome=str(outcome), standard=judged.standard)
    return inspection


def inspection_confirm(*, actor: Actor, inspection: Inspection, agrees: bool, note: str = "") -> Inspection:
    """The second person's word on a passed pair: with it the job goes on, against it the pair is inspected anew.

    Raises NothingToConfirm, SecondMustDiffer, DisagreementUnexplained.
    """
    actor.require(QualityPermission.INSPECT, inspection.branch_id)
    if not agrees and not note.strip():
        raise DisagreementUnexplained(field="note")
    with transaction.atomic():
        rows = Inspection.objects.everywhere("by key, authorised above").filter(id=inspection.id)
        [found] = lock_rows(rows.select_related("job__branch", "job__order"))
        if not found.needs_second or found.second_agrees is not None:
            raise NothingToConfirm("No confirmation is asked for.", field="inspection")
        if selectors.latest_inspection(found.job) != found:
            raise NothingToConfirm("The pair has been inspected again since.", field="inspection")
        if actor.id is None or actor.id == found.inspected_by_id:
            raise SecondMustDiffer(f"{found.inspected_by or 'The system'} inspected this pair.", field="inspection")
        found.second_agrees, found.second_note = agrees, note.strip()
        found.second_by_id, found.second_at = actor.id, clock.now()
        found.save(update_fields=["second_agrees", "second_note", "second_by", "second_at"])
        if agrees:
            found.job = workshop.job_mark_inspected(actor=actor, job=found.job)
        _record(events.CONFIRMED, found, actor, agrees=agrees)
    return found


def _outcome(verdict: Verdict, findings: list[str], unseen: list[str], disagreements: Sequence[str]) -> Outcome:
    """Fail before incomplete before undecided before pass, over what was seen and measured.

    Readings that disagree are worth nothing either way: neither a pass nor a fail rests on them.
    """
    if findings:
        return Outcome.FAIL
    if disagreements:
        return Outcome.UNDECIDED
    if verdict.outcome == "fail":
        return Outcome.FAIL
    if verdict.outcome == "incomplete" or unseen:
        return Outcome.INCOMPLETE
    return Outcome(verdict.outcome)


def _reasons(verdict: Verdict, findings: list[str]) -> list[str]:
    return [*bench.reasons(verdict, "fail"), *bench.reasons(verdict, "undecided"), *findings]


def _record(event_type: str, inspection: Inspection, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"inspections/{inspection.id}",
        actor=actor,
        branch_id=inspection.branch_id,
        data={
            "inspection": str(inspection.id),
            "job": str(inspection.job_id),
            "order": str(inspection.job.order_id),
            **more,
        },
    )
