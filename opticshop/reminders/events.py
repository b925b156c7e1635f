"""What reminders tell others. Payloads hold ids and states; never an address, never a text."""

MESSAGE_QUEUED = "reminders.message_queued"  # {message, kind, about, channel}
MESSAGE_SENT = "reminders.message_sent"  # {message, kind, about, channel}
MESSAGE_FAILED = "reminders.message_failed"  # {message, kind, about, channel, detail}
MESSAGE_WITHDRAWN = "reminders.message_withdrawn"  # {message, kind, about, channel, detail}
RECALL_PLANNED = "reminders.recall_planned"  # {recall, customer, prescription, due_on}
RECALL_CLOSED = "reminders.recall_closed"  # {recall, customer, reason}
