"""Tables of prices: ``lists_models`` holds dated price lists, ``promotions_models`` the shop's promotions,
``vouchers_models`` vouchers of public schemes."""

from .lists_models import ListPrice as ListPrice
from .lists_models import PriceList as PriceList
from .promotions_models import Promotion as Promotion
from .promotions_models import PromotionUse as PromotionUse
from .vouchers_models import ClaimAdjustment as ClaimAdjustment
from .vouchers_models import SchemeClaim as SchemeClaim
from .vouchers_models import SchemeValue as SchemeValue
from .vouchers_models import SchemeVoucher as SchemeVoucher
