"""Writes of the ledger: booking and reversing, closing months, handing the journal to bookkeeping."""

from .posting import Posting, accounts_of, journal_post, journal_reverse, month_of
from .problems import (
    AlreadyBooked,
    AlreadyReversed,
    AmountNotBookable,
    EntryEmpty,
    EntryUnbalanced,
    PeriodClosed,
    ReversalUnexplained,
)

__all__ = [
    "AlreadyBooked",
    "AlreadyReversed",
    "AmountNotBookable",
    "EntryEmpty",
    "EntryUnbalanced",
    "PeriodClosed",
    "Posting",
    "ReversalUnexplained",
    "accounts_of",
    "journal_post",
    "journal_reverse",
    "month_of",
]
