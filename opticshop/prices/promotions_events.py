"""What the promotions tell others. Amounts are decimal strings.

Created and ended: ``{"promotion", "code"}``, ended with ``reason``. Used and given back:
``{"use", "promotion", "code", "customer", "document", "amount", "currency"}``.
"""

PROMOTION_CREATED = "prices.promotion_created"
PROMOTION_ENDED = "prices.promotion_ended"
PROMOTION_USED = "prices.promotion_used"
PROMOTION_GIVEN_BACK = "prices.promotion_given_back"
