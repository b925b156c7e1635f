"""Writes of the ledger: booking and reversing, closing months, handing the journal to bookkeeping."""

from .exporting import entries_settle, export_make, export_pieces
from .periods import period_close, period_reopen
from .posting import Posting, accounts_of, journal_post, journal_reverse, month_of
from .problems import (
    AlreadyBooked,
    AlreadyReversed,
    AmountNotBookable,
    EntryEmpty,
    EntryUnbalanced,
    NothingToExport,
    PeriodAlready,
    PeriodClosed,
    PeriodNotOver,
    ReopeningUnexplained,
    ReversalUnexplained,
)

__all__ = [
    "AlreadyBooked",
    "AlreadyReversed",
    "AmountNotBookable",
    "EntryEmpty",
    "EntryUnbalanced",
    "NothingToExport",
    "PeriodAlready",
    "PeriodClosed",
    "PeriodNotOver",
    "Posting",
    "ReopeningUnexplained",
    "ReversalUnexplained",
    "accounts_of",
    "entries_settle",
    "export_make",
    "export_pieces",
    "journal_post",
    "journal_reverse",
    "month_of",
    "period_close",
    "period_reopen",
]
