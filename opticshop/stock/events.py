"""What this app tells others.

Every line of the ledger is an event of its kind, with ``{"lot", "item", "quantity", "document"}``, and ``"part"`` where
a reservation was made or settled. A transfer that arrives is two lines and so two events, one at either branch.
"""

STOCK_RECEIVED = "stock.received"
STOCK_RESERVED = "stock.reserved"
STOCK_RELEASED = "stock.released"
STOCK_CONSUMED = "stock.consumed"
STOCK_WRITTEN_OFF = "stock.written_off"
STOCK_TRANSFERRED_OUT = "stock.transferred_out"
STOCK_TRANSFERRED_IN = "stock.transferred_in"
STOCK_LOST_IN_TRANSIT = "stock.lost_in_transit"
STOCK_COUNT_ADJUSTED = "stock.count_adjusted"
STOCK_RETURNED_TO_SUPPLIER = "stock.returned_to_supplier"
STOCK_RETURNED_BY_CUSTOMER = "stock.returned_by_customer"

#: ``{"lot", "item", "promised_to": [document, ...]}``: the documents that hold pieces of the lot.
STOCK_QUARANTINED = "stock.quarantined"
#: ``{"lot", "item"}``
STOCK_QUARANTINE_LIFTED = "stock.quarantine_lifted"

#: ``{"item", "minimum", "target"}``
STOCK_LEVEL_SET = "stock.level_set"
#: ``{"item", "change", "expected", "document"}``
STOCK_EXPECTED = "stock.expected"

#: ``{"transfer", "number", "sender", "receiver"}``; an ended one says in ``"state"`` how.
TRANSFER_DRAFTED = "stock.transfer_drafted"
TRANSFER_SENT = "stock.transfer_sent"
TRANSFER_ARRIVED = "stock.transfer_arrived"
TRANSFER_ENDED = "stock.transfer_ended"

#: ``{"count", "number"}``; a counted line adds ``"lot"``, ``"counted"`` and ``"expected"``.
COUNT_OPENED = "stock.count_opened"
COUNT_LINE_COUNTED = "stock.counted"
COUNT_SUBMITTED = "stock.count_submitted"
COUNT_REOPENED = "stock.count_reopened"
COUNT_APPROVED = "stock.count_approved"
COUNT_CANCELLED = "stock.count_cancelled"
