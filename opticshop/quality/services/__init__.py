"""Writes of quality: the final inspection (at once or reading by reading), photographs, and the handover."""

from __future__ import annotations

from ..supervision import NotARegistrant
from .drafts import (
    DraftAlreadyOpen,
    DraftClosed,
    NothingRead,
    draft_conclude,
    draft_give_up,
    draft_open,
    looks_add,
    reading_add,
    reading_strike,
)
from .handovers import BalanceDue, NotPassed, OrderNotReady, SupervisionNeeded, handover_record
from .inspections import (
    DisagreementUnexplained,
    NothingToConfirm,
    SecondMustDiffer,
    inspection_confirm,
    inspection_record,
)
from .photographs import TooManyPhotographs, photograph_attach
from .returns import (
    NotCollected,
    RefundNeedsPayment,
    ReturnDecided,
    ReturnStillOpen,
    return_decide,
    return_record,
)
from .supervising import supervision_record

__all__ = [
    "BalanceDue",
    "DisagreementUnexplained",
    "DraftAlreadyOpen",
    "DraftClosed",
    "NotARegistrant",
    "NotCollected",
    "NotPassed",
    "NothingRead",
    "NothingToConfirm",
    "OrderNotReady",
    "RefundNeedsPayment",
    "ReturnDecided",
    "ReturnStillOpen",
    "SecondMustDiffer",
    "SupervisionNeeded",
    "TooManyPhotographs",
    "draft_conclude",
    "draft_give_up",
    "draft_open",
    "handover_record",
    "inspection_confirm",
    "inspection_record",
    "looks_add",
    "photograph_attach",
    "reading_add",
    "reading_strike",
    "return_decide",
    "return_record",
    "supervision_record",
]
