"""Attaching photographs to an inspection, finished or under way."""

from __future__ import annotations

from django.db import transaction

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.ids import new_id
from opticshop.core.locks import lock_rows
from opticshop.workshop.models import Job

from .. import events, photographs
from ..models import Inspection, InspectionDraft, Photograph
from ..permissions import QualityPermission

MOST_PER_JOB = 40


class TooManyPhotographs(Conflict):
    """A job has as many photographs as are kept; says how many."""

    code = "quality.too_many_photographs"
    title = "This job has enough photographs"


def photograph_attach(*, actor: Actor, of: Inspection | InspectionDraft, data: bytes, caption: str = "") -> Photograph:
    """Keep a photograph, drawn anew without its metadata. The file is written before the row; a roll-back removes it.

    Raises PhotographTooLarge, NotAPhotograph, TooManyPhotographs.
    """
    actor.require(QualityPermission.INSPECT, of.branch_id)
    picture = photographs.cleaned(data)
    key = new_id()
    path = photographs.path_of(of.branch_id, key, picture.content_type)
    photographs.store(path, picture.content)
    try:
        with transaction.atomic():
            [job] = lock_rows(Job.objects.everywhere("of an inspection the caller may see").filter(id=of.job_id))
            if Photograph.objects.everywhere("of this job").filter(job=job).count() >= MOST_PER_JOB:
                raise TooManyPhotographs(f"{MOST_PER_JOB} are kept.", field="file", allowed=MOST_PER_JOB)
            photograph = Photograph.objects.create(
                id=key,
                branch_id=of.branch_id,
                job=job,
                inspection=of if isinstance(of, Inspection) else of.inspection,
                draft=of if isinstance(of, InspectionDraft) else None,
                caption=caption,
                content_type=picture.content_type,
                width_px=picture.width_px,
                height_px=picture.height_px,
                size_bytes=len(picture.content),
                sha256=picture.sha256,
                taken_by_id=actor.id,
            )
            outbox.record(
                event_type=events.PHOTOGRAPH_ATTACHED,
                subject=f"inspection-photographs/{photograph.id}",
                actor=actor,
                branch_id=of.branch_id,
                data={"photograph": str(photograph.id), "job": str(job.id)},
            )
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return photograph
