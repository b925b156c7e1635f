"""Writes of replenishment: runs, what is taken over from them; and simulations, which write nothing."""

from __future__ import annotations

from .accepting import (
    AlreadyAccepted,
    Chosen,
    NothingSuggested,
    RunOutdated,
    run_accept,
    run_levels_take_over,
)
from .running import CurrenciesDiffer, NothingKept, NotKeptByPower, TooManyPowers, run_make
from .simulating import HistoryTooShort, Simulation, Taken, simulate

__all__ = [
    "AlreadyAccepted",
    "Chosen",
    "CurrenciesDiffer",
    "HistoryTooShort",
    "NotKeptByPower",
    "NothingKept",
    "NothingSuggested",
    "RunOutdated",
    "Simulation",
    "Taken",
    "TooManyPowers",
    "run_accept",
    "run_levels_take_over",
    "run_make",
    "simulate",
]
