"""The only way from the apps to what plugins bring: ``from opticshop.pluginhost import services as plugins``."""

from __future__ import annotations

from .activating import plugin_activation_set
from .calculating import BatchAnswer, CalculatorAnswer, RowAnswer, calculator_batch, calculator_run
from .deciding import decide_handover, decide_order_placement, decide_order_price
from .supplying import (
    BoundChannel,
    BoundExporter,
    BoundPolicy,
    Evaluated,
    channel,
    ledger_exporter,
    recall_policy,
    tolerance_evaluate,
    tolerance_limits,
)

__all__ = [
    "BatchAnswer",
    "BoundChannel",
    "BoundExporter",
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
    "ledger_exporter",
    "plugin_activation_set",
    "recall_policy",
    "tolerance_evaluate",
    "tolerance_limits",
]
