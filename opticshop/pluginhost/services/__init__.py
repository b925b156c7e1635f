"""The only way from the apps to what plugins bring: ``from opticshop.pluginhost import services as plugins``."""

from __future__ import annotations

from .activating import plugin_activation_set
from .calculating import BatchAnswer, CalculatorAnswer, RowAnswer, calculator_batch, calculator_run
from .deciding import decide_handover, decide_order_placement, decide_order_price, order_price_decisions
from .supplying import (
    Assessed,
    BoundChannel,
    BoundExporter,
    BoundInvoiceExporter,
    BoundPolicy,
    Evaluated,
    channel,
    invoice_exporter,
    ledger_exporter,
    recall_policy,
    tax_assess,
    tolerance_evaluate,
    tolerance_limits,
)

__all__ = [
    "Assessed",
    "BatchAnswer",
    "BoundChannel",
    "BoundExporter",
    "BoundInvoiceExporter",
    "BoundPolicy",
    "CalculatorAnswer",
    "Evaluated",
    "RowAnswer",
    "calculator_batch",
    "calculator_run",
    "channel",
    "decide_handover",
    "decide_order_placement",
    "decide_order_price",
    "invoice_exporter",
    "ledger_exporter",
    "order_price_decisions",
    "plugin_activation_set",
    "recall_policy",
    "tax_assess",
    "tolerance_evaluate",
    "tolerance_limits",
]
