"""The routes of money."""

from __future__ import annotations

from .invoices import InvoiceViewSet
from .payments import BalanceViewSet, PaymentViewSet, ReceiptViewSet
from .settlements import HeldDepositViewSet, SettlementViewSet, StatementViewSet
from .tills import TillDayViewSet

routes = [
    ("payments", PaymentViewSet),
    ("receipts", ReceiptViewSet),
    ("balances", BalanceViewSet),
    ("deposits-held", HeldDepositViewSet),
    ("settlements", SettlementViewSet),
    ("statements", StatementViewSet),
    ("invoices", InvoiceViewSet),
    ("till-days", TillDayViewSet),
]
