"""What stock refuses, and the checks that several writes share."""

from __future__ import annotations

from opticshop.core.errors import Conflict, Invalid


class OutOfStock(Conflict):
    """No unpromised piece of what is wanted lies in the branch. ``missing`` names every part that is short."""

    code = "stock.out_of_stock"
    title = "Not enough is in stock here"


class AlreadyReserved(Conflict):
    """The document already holds a piece for this part."""

    code = "stock.already_reserved"
    title = "A piece is already reserved for this part"


class NothingReserved(Conflict):
    """The document holds no piece for this part."""

    code = "stock.nothing_reserved"
    title = "Nothing is reserved for this part"


class NotEnoughAvailable(Conflict):
    """More pieces were to be written off than lie unpromised in the lot."""

    code = "stock.not_enough_available"
    title = "The lot does not hold so many unpromised pieces"


class LotCostDiffers(Conflict):
    """One lot has one cost; a delivery at another cost is another lot."""

    code = "stock.lot_cost_differs"
    title = "The lot was received at another cost"


class QuantityWrong(Invalid):
    """Pieces are counted in whole numbers from one."""

    code = "stock.quantity_wrong"
    title = "A quantity is a whole number of pieces, at least one"


class CostNotPayable(Invalid):
    """The cost is negative or has more decimals than the branch's currency."""

    code = "stock.cost_not_payable"
    title = "Nobody can pay this cost"


class ReasonMissing(Invalid):
    """Pieces are written off, sent back, kept apart or counted anew for a reason, in words."""

    code = "stock.reason_missing"
    title = "Say why"


class LotQuarantineDiffers(Conflict):
    """One lot is in quarantine as a whole or not at all; other pieces are another lot."""

    code = "stock.lot_quarantine_differs"
    title = "Good pieces and pieces in quarantine are not one lot"


class AlreadyQuarantined(Conflict):
    """The lot is in quarantine already."""

    code = "stock.already_quarantined"
    title = "The lot is in quarantine already"


class NotQuarantined(Conflict):
    """The lot is not in quarantine."""

    code = "stock.not_quarantined"
    title = "The lot is not in quarantine"


class NothingToReturn(Conflict):
    """The document took no such piece from this stock, or it has come back already."""

    code = "stock.nothing_to_return"
    title = "No such piece was taken from this stock"


class TransferToItself(Invalid):
    """Sender and receiver are the same branch."""

    code = "stock.transfer_to_itself"
    title = "A branch does not send to itself"


class BranchClosed(Conflict):
    """One end of the transfer is a branch that is closed."""

    code = "stock.branch_closed"
    title = "The branch is closed"


class TransferAcrossCurrencies(Conflict):
    """The two branches keep their books in different currencies; such goods are sold and bought, not transferred."""

    code = "stock.transfer_across_currencies"
    title = "The branches have different currencies"


class NothingNamed(Invalid):
    """No item or no line was named."""

    code = "stock.nothing_named"
    title = "Name at least one thing"


class NotEnoughToSend(Conflict):
    """The sender has too few unpromised pieces; ``missing`` names every item that is short. Nothing was sent."""

    code = "stock.not_enough_to_send"
    title = "The sender has too few unpromised pieces"


class MoreThanSent(Conflict):
    """More pieces of a line were to be taken in, taken back or given up than are in transit."""

    code = "stock.more_than_sent"
    title = "So many pieces are not in transit"


class AlreadyBeingCounted(Conflict):
    """A lot is on another count sheet that is still open; ``counts`` names the sheets."""

    code = "stock.already_being_counted"
    title = "This is being counted already"


class SectionTooLarge(Invalid):
    """The section holds more lots than one sheet takes."""

    code = "stock.section_too_large"
    title = "The section is too large for one sheet"


class LotElsewhere(Invalid):
    """The lot lies at another branch than the one that is counted."""

    code = "stock.lot_elsewhere"
    title = "The lot is at another branch"


class CountIncomplete(Conflict):
    """Lots on the sheet hold pieces and were not counted; ``uncounted`` names some."""

    code = "stock.count_incomplete"
    title = "Not everything was counted"


class CountStale(Conflict):
    """Pieces of a lot that differs moved after it was counted, so the movement may be part of the difference.

    ``stale`` says what moved. Count these lots again, or accept the counts as they are.
    """

    code = "stock.count_stale"
    title = "The stock moved after it was counted"


class CountBelowReserved(Conflict):
    """A lot would hold less than is promised of it; ``short`` names the documents that hold the promises.

    Release or write off promises first: a count breaks none of them silently.
    """

    code = "stock.count_below_reserved"
    title = "Less was counted than is promised"


class LevelsContradict(Invalid):
    """The target lies below the minimum."""

    code = "stock.levels_contradict"
    title = "The target is at least the minimum"


class ExpectedTooSmall(Conflict):
    """More was to be received or called off than is on order."""

    code = "stock.expected_too_small"
    title = "So many pieces are not on order"


class BalanceDisagrees(Conflict):
    """The balance of a lot does not hold what its papers say; nothing was written.

    ``manage.py stock_verify`` says more.
    """

    code = "stock.balance_disagrees"
    title = "The balance of the lot and its papers disagree"


def check_quantity(quantity: int) -> None:
    if quantity < 1:
        raise QuantityWrong(f"{quantity} is no quantity.", field="quantity", allowed="1 or more")


def check_reason(reason: str) -> None:
    if not reason.strip():
        raise ReasonMissing(field="reason")
