"""What this app tells others, one event per line of the ledger.

Payload: ``{"lot", "item", "quantity", "document"}``; with ``"part"`` where a reservation was made or settled.
"""

STOCK_RECEIVED = "stock.received"
STOCK_RESERVED = "stock.reserved"
STOCK_RELEASED = "stock.released"
STOCK_CONSUMED = "stock.consumed"
STOCK_WRITTEN_OFF = "stock.written_off"

#: ``{"item", "minimum", "target"}``
STOCK_LEVEL_SET = "stock.level_set"
#: ``{"item", "change", "expected", "document"}``
STOCK_EXPECTED = "stock.expected"
