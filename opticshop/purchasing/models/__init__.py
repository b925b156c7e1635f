"""Tables of purchasing, one module per document."""

from __future__ import annotations

from .deliveries import Delivery, DeliveryLine, DeliveryMatch, Shortage
from .lens_orders import LENS_ORDER_MOVES, LensOrder, LensOrderState
from .purchase_orders import PURCHASE_ORDER_MOVES, PurchaseLine, PurchaseOrder, PurchaseOrderState
from .returns import RETURN_MOVES, ReturnState, SupplierReturn, SupplierReturnLine
from .suppliers import BranchTravel, Offer, PriceList, Supplier, SupplierPrice

__all__ = [
    "LENS_ORDER_MOVES",
    "PURCHASE_ORDER_MOVES",
    "RETURN_MOVES",
    "BranchTravel",
    "Delivery",
    "DeliveryLine",
    "DeliveryMatch",
    "LensOrder",
    "LensOrderState",
    "Offer",
    "PriceList",
    "PurchaseLine",
    "PurchaseOrder",
    "PurchaseOrderState",
    "ReturnState",
    "Shortage",
    "Supplier",
    "SupplierPrice",
    "SupplierReturn",
    "SupplierReturnLine",
]
