"""Writes of quality: the final inspection, and the handover to the customer."""

from __future__ import annotations

from .handovers import BalanceDue, NotARegistrant, NotPassed, OrderNotReady, SupervisionNeeded, handover_record
from .inspections import inspection_record

__all__ = [
    "BalanceDue",
    "NotARegistrant",
    "NotPassed",
    "OrderNotReady",
    "SupervisionNeeded",
    "handover_record",
    "inspection_record",
]
