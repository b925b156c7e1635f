"""What this app tells others. Amounts are decimal strings, negative where money was given back.

``billing.payment_taken``, ``billing.payment_refunded``: ``{"payment", "order", "receipt", "kind", "method", "amount",
"currency"}``; a refund adds ``refunds``, the payment it gives back.
``billing.till_opened``, ``.till_counted``, ``.till_cash_moved``, ``.till_closed``, ``.till_reopened``: ``{"till_day",
"till", "day", "kind", "amount", "expected", "reason"}``; a day that opens or lapses by itself tells nobody.
``billing.supplied``: ``{"order", "supplied_on", "covered", "currency"}``.
``billing.settled``: ``{"settlement", "order", "kind", "amount", "currency", "reason", "reverses"}``.
``billing.invoiced``: ``{"invoice", "number", "kind", "order", "total", "currency", "credits"}``.
"""

PAYMENT_TAKEN = "billing.payment_taken"
PAYMENT_REFUNDED = "billing.payment_refunded"
TILL_OPENED = "billing.till_opened"
TILL_COUNTED = "billing.till_counted"
TILL_CASH_MOVED = "billing.till_cash_moved"
TILL_CLOSED = "billing.till_closed"
TILL_REOPENED = "billing.till_reopened"
SUPPLIED = "billing.supplied"
SETTLED = "billing.settled"
INVOICED = "billing.invoiced"
