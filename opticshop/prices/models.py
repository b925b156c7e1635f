"""Tables of prices: ``lists_models`` holds dated price lists."""

from .lists_models import ListPrice as ListPrice
from .lists_models import PriceList as PriceList
