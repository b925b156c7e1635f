"""Writes of instruments: the register, check pieces, checks, the branch's policy; and whether one may be used."""

from __future__ import annotations

from .checks import NoLimitKnown, PieceNotUsable, WrongPiece, check_record
from .register import (
    NameTaken,
    OutReasonMissing,
    instrument_add,
    instrument_change,
    piece_add,
    piece_change,
    policy_set,
)
from .usability import (
    InstrumentElsewhere,
    InstrumentOutOfCalibration,
    InstrumentOutOfService,
    Usability,
    require_usable,
)

__all__ = [
    "InstrumentElsewhere",
    "InstrumentOutOfCalibration",
    "InstrumentOutOfService",
    "NameTaken",
    "NoLimitKnown",
    "OutReasonMissing",
    "PieceNotUsable",
    "Usability",
    "WrongPiece",
    "check_record",
    "instrument_add",
    "instrument_change",
    "piece_add",
    "piece_change",
    "policy_set",
    "require_usable",
]
