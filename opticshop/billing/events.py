"""What this app tells others. Amounts are decimal strings, negative where money was given back.

``{"payment", "order", "receipt", "kind", "method", "amount", "currency"}``; a refund adds ``refunds``, the payment it
gives back.
"""

PAYMENT_TAKEN = "billing.payment_taken"
PAYMENT_REFUNDED = "billing.payment_refunded"
