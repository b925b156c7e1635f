"""The one write: a trace is read whole, measured and kept; what cannot be read is refused and nothing is kept."""

from __future__ import annotations

import hashlib

from django.db import transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.optics.eyes import Eye
from opticshop.tracing import Trace, TraceError, read_csv_outlines, read_svg_outlines, read_trace

from .. import events
from ..models import Job
from ..permissions import WorkshopPermission
from ..selectors import LIVE_STATES
from ..services.rows import locked, record
from .models import FrameTrace, TraceFormat
from .outlines import EYES, columns_of


class TraceRefused(Invalid):
    """The file is no trace that can be used. ``problems`` names line, label and reason; nothing was kept."""

    code = "workshop.trace_refused"
    title = "This trace cannot be used"


class TraceOfClosedJob(Conflict):
    """A trace is taken for a job that is still to be made."""

    code = "workshop.trace_of_closed_job"
    title = "This job is closed"


def frame_trace_record(
    *,
    actor: Actor,
    job: Job,
    format: str,
    content: bytes,
    eye: str = "right",
    file_name: str = "",
    note: str = "",
) -> FrameTrace:
    """Keep a trace of the frame of a job. ``eye`` says whose a single outline is where the file does not.

    Raises TraceRefused with line and reason, TraceOfClosedJob.
    """
    actor.require(WorkshopPermission.WORK, job.branch_id)
    trace = read(format, content, EYES[eye])
    with transaction.atomic():
        job = locked(job)
        if job.state not in LIVE_STATES:
            raise TraceOfClosedJob(f"Job {job.number} is {job.state}.", field="job", allowed=list(LIVE_STATES))
        frame = job.order.frame
        row = FrameTrace.objects.create(
            branch=job.branch,
            job=job,
            frame=frame,
            format=format,
            file_name=file_name,
            content=content,
            content_sha256=hashlib.sha256(content).hexdigest(),
            note=note,
            traced_at=clock.now(),
            traced_by_id=actor.id,
            **columns_of(trace, frame),
        )
        record(
            events.FRAME_TRACED,
            job,
            actor,
            trace=str(row.id),
            format=format,
            warnings=[warning["code"] for warning in row.warnings],
        )
    return row


def read(format: str, content: bytes, eye: Eye) -> Trace:
    """The trace in a file of this format. Raises TraceRefused."""
    try:
        if format == TraceFormat.RECORDS:
            return read_trace(content)
        if format == TraceFormat.CSV:
            return read_csv_outlines(content, eye=eye)
        return read_svg_outlines(content, eye=eye)
    except TraceError as error:
        problems = [
            {"line": problem.line, "label": problem.label, "reason": problem.reason} for problem in error.problems
        ]
        raise TraceRefused(str(error)[:1000], field="text", problems=problems) from error
