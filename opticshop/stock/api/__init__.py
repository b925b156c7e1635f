"""The routes of stock; the lots themselves come last, since their address is the shortest."""

from __future__ import annotations

from ..labels_api import routes as label_routes
from .counts import CountLineViewSet, CountViewSet
from .levels import ExpectedViewSet, StockLevelViewSet
from .lots import CustomerReturnViewSet, GoodsReceiptViewSet, LotViewSet, MovementViewSet
from .transfers import TransferBranchViewSet, TransferViewSet
from .valuation import ValuationViewSet

routes = [
    ("stock/receipts", GoodsReceiptViewSet),
    ("stock/returns", CustomerReturnViewSet),
    ("stock/movements", MovementViewSet),
    ("stock/levels", StockLevelViewSet),
    ("stock/expected", ExpectedViewSet),
    ("stock/transfers", TransferViewSet),
    ("stock/transfer-branches", TransferBranchViewSet),
    ("stock/counts", CountViewSet),
    ("stock/count-lines", CountLineViewSet),
    ("stock/valuation", ValuationViewSet),
    *label_routes,
    ("stock", LotViewSet),
]
