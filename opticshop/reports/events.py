"""What this app tells others: ``{"run": id, "report": key}``; no figures."""

RUN_ASKED = "reports.run_asked"
RUN_DONE = "reports.run_done"
RUN_FAILED = "reports.run_failed"
