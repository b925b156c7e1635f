"""Why the ledger says no."""

from __future__ import annotations

from opticshop.core.errors import Conflict, Invalid


class EntryUnbalanced(Invalid):
    """The debits of an entry are not its credits; says by how much."""

    code = "ledger.entry_unbalanced"
    title = "Debits and credits differ"


class EntryEmpty(Invalid):
    """An entry moves money between at least two lines, and says what for."""

    code = "ledger.entry_empty"
    title = "There is nothing to book"


class AmountNotBookable(Invalid):
    """An amount is negative, stands on both sides, or is finer than the smallest coin of the branch's currency."""

    code = "ledger.amount_not_bookable"
    title = "This amount cannot be booked"


class AlreadyBooked(Conflict):
    """The document was booked for this purpose before; says under which number."""

    code = "ledger.already_booked"
    title = "This is already booked"


class AlreadyReversed(Conflict):
    """An entry is reversed once, and a reversal is not reversed: what should stand is booked anew."""

    code = "ledger.already_reversed"
    title = "This entry is already reversed"


class ReversalUnexplained(Invalid):
    """A correction needs its reason."""

    code = "ledger.reversal_unexplained"
    title = "Say why the entry is reversed"


class PeriodClosed(Conflict):
    """The month is closed: a correction is booked into an open one."""

    code = "ledger.period_closed"
    title = "The month is closed"


class PeriodNotOver(Invalid):
    """A month is closed when it is over, in the branch's own days; a future one cannot be."""

    code = "ledger.period_not_over"
    title = "The month is not over"


class PeriodAlready(Conflict):
    """The month is closed, or open, already."""

    code = "ledger.period_already"
    title = "There is nothing to change about the month"


class ReopeningUnexplained(Invalid):
    """A closed month is opened again with a reason."""

    code = "ledger.reopening_unexplained"
    title = "Say why the month is opened again"


class NothingToExport(Conflict):
    """Every entry of this scope is in a batch of this exporter already."""

    code = "ledger.nothing_to_export"
    title = "There is nothing new to export"
