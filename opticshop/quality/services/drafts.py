"""An inspection under way: readings are saved as they are taken, repeated where wanted, then concluded."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from django.db import transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, NotFound
from opticshop.core.locks import lock_rows
from opticshop.instruments.models import Instrument
from opticshop.plugin_api import json_ready
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, StepKind

from .. import events, instrumentation, judging, selectors
from ..models import DraftReading, Inspection, InspectionDraft, Photograph
from ..permissions import QualityPermission
from ..repeating import check_whole
from .inspections import inspection_record

State = InspectionDraft.State


class DraftAlreadyOpen(Conflict):
    """One inspection of a pair is under way already; names it."""

    code = "quality.draft_already_open"
    title = "An inspection of this pair is under way"


class DraftClosed(Conflict):
    """The inspection under way was concluded or given up; a new one is opened for further readings."""

    code = "quality.draft_closed"
    title = "This inspection is no longer under way"


class NothingRead(Conflict):
    """Nothing was measured or looked at yet."""

    code = "quality.nothing_read"
    title = "There is nothing to conclude"


def draft_open(*, actor: Actor, job: Job, standard: str = "") -> InspectionDraft:
    """Begin an inspection whose readings are added one after the other; the inspection step of the job begins."""
    actor.require(QualityPermission.INSPECT, job.branch_id)
    with transaction.atomic():
        job = workshop.inspection_begin(actor=actor, job=job)
        open_draft = InspectionDraft.objects.everywhere("of a job the caller may inspect").filter(
            job=job, state=State.OPEN
        )
        if (other := open_draft.first()) is not None:
            raise DraftAlreadyOpen(f"Job {job.number} is being inspected.", field="job", draft=str(other.id))
        draft = InspectionDraft.objects.create(branch=job.branch, job=job, standard=standard, opened_by_id=actor.id)
        _record(events.INSPECTION_OPENED, draft, actor)
    return draft


def reading_add(
    *,
    actor: Actor,
    draft: InspectionDraft,
    subject: str,
    values: Mapping[str, Any],
    instrument: Instrument | None = None,
) -> DraftReading:
    """Save what was read of one lens or of the pair; read again, it is one reading more and the mean is judged.

    Raises DraftClosed, EyeNotOrdered, PowerNotWhole, ReadingImpossible, and what the register of instruments refuses.
    """
    actor.require(QualityPermission.INSPECT, draft.branch_id)
    values = {name: value for name, value in values.items() if value is not None}
    if not values:
        raise NothingRead(field=subject)
    with transaction.atomic():
        draft = _open(draft)
        if instrument is not None:
            instrumentation.checked(draft.branch, [instrument])
        if subject != "pair":
            check_whole(values, subject)
        judging.inspection_request(list(draft.job.order.lenses.select_related("product")), {subject: values})
        reading = DraftReading.objects.create(
            draft=draft,
            subject=subject,
            values=json_ready(values),
            instrument=instrument,
            read_at=clock.now(),
            read_by_id=actor.id,
        )
        _touch(draft)
        _record(events.READING_SAVED, draft, actor, reading=str(reading.id), subject=subject)
    return reading


def reading_strike(*, actor: Actor, draft: InspectionDraft, reading_id: uuid.UUID, reason: str) -> None:
    """Leave a mistaken reading out, with the reason; it stays in the record. Raises NotFound."""
    actor.require(QualityPermission.INSPECT, draft.branch_id)
    with transaction.atomic():
        draft = _open(draft)
        if not draft.readings.filter(id=reading_id, struck_reason="").update(struck_reason=reason):
            raise NotFound(f"There is no reading {reading_id} to strike here.", field="reading")
        _touch(draft)
        _record(events.READING_STRUCK, draft, actor, reading=str(reading_id), reason=reason)


def looks_add(*, actor: Actor, draft: InspectionDraft, visual: Mapping[str, Mapping[str, Any]]) -> None:
    """Save what was looked at; a check that was made before is replaced."""
    actor.require(QualityPermission.INSPECT, draft.branch_id)
    with transaction.atomic():
        draft = _open(draft)
        draft.visual = {**draft.visual, **json_ready(visual)}
        _touch(draft, "visual")
        _record(events.LOOKS_SAVED, draft, actor, checks=sorted(visual))


def draft_conclude(
    *,
    actor: Actor,
    draft: InspectionDraft,
    redo_from: str = StepKind.VERIFY,
    supervised_by: uuid.UUID | None = None,
) -> Inspection:
    """Judge the means of what was read and close the inspection under way; the answer is the inspection."""
    actor.require(QualityPermission.INSPECT, draft.branch_id)
    with transaction.atomic():
        draft = _open(draft)
        readings = [each for each in draft.readings.select_related("instrument__branch") if not each.struck_reason]
        if not readings and not draft.visual:
            raise NothingRead(field="draft")
        summary = selectors.draft_summary(readings)
        inspection = inspection_record(
            actor=actor,
            job=draft.job,
            readings=summary.means,
            visual=draft.visual,
            standard=draft.standard or None,
            redo_from=redo_from,
            instruments=[each.instrument for each in readings if each.instrument is not None],
            repeats=summary.repeats,
            disagreements=summary.disagreements,
            supervised_by=supervised_by,
        )
        draft.state, draft.inspection = State.CONCLUDED, inspection
        _touch(draft, "state", "inspection")
        Photograph.objects.everywhere("of this draft").filter(draft=draft).update(inspection=inspection)
    return inspection


def draft_give_up(*, actor: Actor, draft: InspectionDraft, reason: str) -> InspectionDraft:
    """Give an inspection under way up; its readings stay in the record and count for nothing."""
    actor.require(QualityPermission.INSPECT, draft.branch_id)
    with transaction.atomic():
        draft = _open(draft)
        draft.state = State.GIVEN_UP
        _touch(draft, "state")
        _record(events.INSPECTION_GIVEN_UP, draft, actor, reason=reason)
    return draft


def _open(draft: InspectionDraft) -> InspectionDraft:
    """The draft, locked. Raises DraftClosed."""
    rows = InspectionDraft.objects.everywhere("by key, authorised by the caller").filter(id=draft.id)
    [row] = lock_rows(rows.select_related("branch", "job__branch", "job__order"))
    if row.state != State.OPEN:
        raise DraftClosed(f"It was {row.state}.", field="draft", allowed=["inspection-drafts"])
    return row


def _touch(draft: InspectionDraft, *fields: str) -> None:
    draft.version += 1
    draft.save(update_fields=[*fields, "version"])


def _record(event_type: str, draft: InspectionDraft, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"inspection-drafts/{draft.id}",
        actor=actor,
        branch_id=draft.branch_id,
        data={"draft": str(draft.id), "job": str(draft.job_id), **more},
    )
