"""What this app tells others; what an event carries stands in the module it comes from."""

from .lists_events import LIST_ADDED as LIST_ADDED
from .lists_events import LIST_ENDED as LIST_ENDED
from .lists_events import LIST_PRICED as LIST_PRICED
from .promotions_events import PROMOTION_CREATED as PROMOTION_CREATED
from .promotions_events import PROMOTION_ENDED as PROMOTION_ENDED
from .promotions_events import PROMOTION_GIVEN_BACK as PROMOTION_GIVEN_BACK
from .promotions_events import PROMOTION_USED as PROMOTION_USED
from .vouchers_events import CLAIM_ADJUSTED as CLAIM_ADJUSTED
from .vouchers_events import CLAIM_PAID as CLAIM_PAID
from .vouchers_events import CLAIM_REJECTED as CLAIM_REJECTED
from .vouchers_events import CLAIMS_SUBMITTED as CLAIMS_SUBMITTED
from .vouchers_events import VALUE_ADDED as VALUE_ADDED
from .vouchers_events import VALUE_WITHDRAWN as VALUE_WITHDRAWN
from .vouchers_events import VOUCHER_CANCELLED as VOUCHER_CANCELLED
from .vouchers_events import VOUCHER_GRANTED as VOUCHER_GRANTED
from .vouchers_events import VOUCHER_PUT_BACK as VOUCHER_PUT_BACK
from .vouchers_events import VOUCHER_REDEEMED as VOUCHER_REDEEMED
