"""What this app tells others: ids, the key of the report, reasons; no figures and no addresses.

Of a run ``{"run", "report"}``; of a schedule ``{"schedule", "report"}``, of its people also ``user``, of what was due
also ``occurrence``, of a mail also ``mail``; ``reason`` where something was stopped or not sent.
"""

RUN_ASKED = "reports.run_asked"
RUN_DONE = "reports.run_done"
RUN_FAILED = "reports.run_failed"
SCHEDULE_MADE = "reports.schedule_made"
SCHEDULE_CHANGED = "reports.schedule_changed"
SCHEDULE_PAUSED = "reports.schedule_paused"
SCHEDULE_RESUMED = "reports.schedule_resumed"
SCHEDULE_ENDED = "reports.schedule_ended"
RECIPIENT_STOPPED = "reports.recipient_stopped"
RECIPIENT_LEFT = "reports.recipient_left"
OCCURRED = "reports.schedule_occurred"
MAIL_SENT = "reports.mail_sent"
MAIL_NOT_SENT = "reports.mail_not_sent"
ADDRESS_CONFIRMED = "reports.address_confirmed"
