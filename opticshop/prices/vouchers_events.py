"""What the scheme vouchers tell others: ids, amounts, documents. Never a band, a power or a reason of eligibility.

Vouchers: ``{"voucher", "scheme", "reference", "customer", "amount", "currency"}``, where it applies with ``document``,
``claim``, ``reason``. Claims: ``{"claim", "number", "scheme", "vouchers", "total", "currency"}``.
"""

VALUE_ADDED = "prices.scheme_value_added"
VALUE_WITHDRAWN = "prices.scheme_value_withdrawn"
VOUCHER_GRANTED = "prices.voucher_granted"
VOUCHER_REDEEMED = "prices.voucher_redeemed"
VOUCHER_PUT_BACK = "prices.voucher_put_back"
VOUCHER_CANCELLED = "prices.voucher_cancelled"
CLAIMS_SUBMITTED = "prices.claims_submitted"
CLAIM_PAID = "prices.claim_paid"
CLAIM_REJECTED = "prices.claim_rejected"
CLAIM_ADJUSTED = "prices.claim_adjusted"
