"""Writes of the workshop. ``jobs`` holds the life of a job, ``steps`` the steps of the bench, ``lenses`` the lenses."""

from __future__ import annotations

from ..judging import Reading
from .jobs import (
    JobStillLive,
    NothingToRemake,
    RedoFromUnknown,
    RemakeUnexplained,
    inspection_begin,
    job_cancel,
    job_mark_inspected,
    job_open,
    job_promise,
    job_reject,
    job_resume,
    job_stop,
)
from .lenses import (
    EyeNotInJob,
    NoLensThere,
    NothingAwaited,
    cut_eyes_of,
    lens_break,
    lens_verify,
    lenses_arrived,
)
from .rows import NotOnTheBench, StepOutOfOrder
from .steps import (
    InspectionNeeded,
    LensesNotVerified,
    OrderCalledOff,
    SkipUnexplained,
    StepAlreadyStarted,
    StepCannotBeSkipped,
    StepNotStarted,
    step_finish,
    step_skip,
    step_start,
)

__all__ = [
    "EyeNotInJob",
    "InspectionNeeded",
    "JobStillLive",
    "LensesNotVerified",
    "NoLensThere",
    "NotOnTheBench",
    "NothingAwaited",
    "NothingToRemake",
    "OrderCalledOff",
    "Reading",
    "RedoFromUnknown",
    "RemakeUnexplained",
    "SkipUnexplained",
    "StepAlreadyStarted",
    "StepCannotBeSkipped",
    "StepNotStarted",
    "StepOutOfOrder",
    "cut_eyes_of",
    "inspection_begin",
    "job_cancel",
    "job_mark_inspected",
    "job_open",
    "job_promise",
    "job_reject",
    "job_resume",
    "job_stop",
    "lens_break",
    "lens_verify",
    "lenses_arrived",
    "step_finish",
    "step_skip",
    "step_start",
]
