"""Reads of the ledger, limited to the branches in which the actor may see them."""

from .balances import TrialRow, trial_balance
from .journal import accounts_for, entries_booked_to, entries_visible_to, exports_visible_to, periods_visible_to
from .proof import Finding, ledger_findings
from .streaming import ExportTotals, journal_entries, totals_of

__all__ = [
    "ExportTotals",
    "Finding",
    "TrialRow",
    "accounts_for",
    "entries_booked_to",
    "entries_visible_to",
    "exports_visible_to",
    "journal_entries",
    "ledger_findings",
    "periods_visible_to",
    "totals_of",
    "trial_balance",
]
