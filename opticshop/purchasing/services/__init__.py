"""Writes of purchasing, one module per document."""

from __future__ import annotations

from .deliveries import (
    Scan,
    delivery_confirm,
    delivery_discard,
    delivery_line_remove,
    delivery_open,
    delivery_scan,
    over_delivery_accept,
)
from .lens_orders import (
    lens_lost,
    lens_order_assign,
    lens_order_cancel,
    lens_order_confirm,
    lens_order_fault,
    lens_order_receive,
    lens_order_send,
    lens_orders_ensure,
    lens_orders_give_up,
)
from .price_lists import FileReading, ImportReport, price_list_import
from .purchase_orders import (
    WantedLine,
    purchase_order_amend,
    purchase_order_cancel,
    purchase_order_draft,
    purchase_order_send,
)
from .returns import (
    ReturnedPieces,
    return_acknowledge,
    return_cancel,
    return_credit,
    return_draft,
    return_reject,
    return_send,
)
from .suppliers import offer_add, offer_change, price_add, supplier_add, supplier_change, travel_set

__all__ = [
    "FileReading",
    "ImportReport",
    "ReturnedPieces",
    "Scan",
    "WantedLine",
    "delivery_confirm",
    "delivery_discard",
    "delivery_line_remove",
    "delivery_open",
    "delivery_scan",
    "lens_lost",
    "lens_order_assign",
    "lens_order_cancel",
    "lens_order_confirm",
    "lens_order_fault",
    "lens_order_receive",
    "lens_order_send",
    "lens_orders_ensure",
    "lens_orders_give_up",
    "offer_add",
    "offer_change",
    "over_delivery_accept",
    "price_add",
    "price_list_import",
    "purchase_order_amend",
    "purchase_order_cancel",
    "purchase_order_draft",
    "purchase_order_send",
    "return_acknowledge",
    "return_cancel",
    "return_credit",
    "return_draft",
    "return_reject",
    "return_send",
    "supplier_add",
    "supplier_change",
    "travel_set",
]
