"""What this app tells others.

``ledger.entry_posted``: ``{"entry", "number", "document", "purpose", "booked_on", "total", "currency"}`` and, for a
correction, ``"reverses"``. ``ledger.period_closed`` and ``ledger.period_reopened``: ``{"period", "month", "reason"}``,
with no branch where the month is closed for the company. ``ledger.exported``: ``{"export", "exporter", "entries"}``.
"""

ENTRY_POSTED = "ledger.entry_posted"
PERIOD_CLOSED = "ledger.period_closed"
PERIOD_REOPENED = "ledger.period_reopened"
EXPORTED = "ledger.exported"
