"""What the workshop tells others.

Every payload carries ``{job, number, order, attempt}``; what is added stands beside the name. Payloads hold ids and
facts of the bench, nothing about the wearer.
"""

JOB_OPENED = "workshop.job_opened"  # {state, eyes, remake_reason, remake_cause, borne_by, branch}
JOB_STOPPED = "workshop.job_stopped"  # {reason, redo_from}
JOB_RESUMED = "workshop.job_resumed"  # {note, state}
JOB_INSPECTED = "workshop.job_inspected"
JOB_FINISHED = "workshop.job_finished"
JOB_CANCELLED = "workshop.job_cancelled"  # {reason}
JOB_PROMISED = "workshop.job_promised"  # {promised_on}
JOB_CLAIMED = "workshop.job_claimed"  # {holder, bench, taken_over_from}
JOB_RELEASED = "workshop.job_released"  # {note}
JOB_HANDED_ON = "workshop.job_handed_on"  # {holder, bench, handed_on_from, note}
STEP_STARTED = "workshop.step_started"  # {step}
STEP_FINISHED = "workshop.step_finished"  # {step}
STEP_SKIPPED = "workshop.step_skipped"  # {step, note}
FRAME_TRACED = "workshop.frame_traced"  # {trace, format, warnings}
STEP_UNDONE = "workshop.step_undone"  # {step, reason, state}
LENS_READ = "workshop.lens_read"  # {reading, eye, outcome, state}
LENS_BROKEN = "workshop.lens_broken"  # {breakage, eye, step, cause, borne_by, reason, replaced, state}
LENSES_ARRIVED = "workshop.lenses_arrived"  # {eyes, state}
BENCH_ADDED = "workshop.bench_added"  # {bench, code} only
BENCH_CHANGED = "workshop.bench_changed"  # {bench, code, fields} only
FRAME_BROKEN = "workshop.frame_broken"  # {breakage, step, cause, reason, replaced, state}
FRAME_ARRIVED = "workshop.frame_arrived"  # {state}
