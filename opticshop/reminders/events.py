"""What reminders tell others. Payloads hold ids and states; never a name or an address."""

RECALL_PLANNED = "reminders.recall_planned"  # {recall, customer, prescription, due_on}
RECALL_CLOSED = "reminders.recall_closed"  # {recall, customer, reason}
