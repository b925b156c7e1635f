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


class LevelsContradict(Invalid):
    """The target lies below the minimum."""

    code = "stock.levels_contradict"
    title = "The target is at least the minimum"


class ExpectedTooSmall(Conflict):
    """More was to be received or called off than is on order."""

    code = "stock.expected_too_small"
    title = "So many pieces are not on order"


class BalanceDisagrees(Conflict):
    """A promised piece is not in the balance of its lot. Nothing was written; ``manage.py stock_verify`` says more."""

    code = "stock.balance_disagrees"
    title = "The balance of the lot and its reservations disagree"


def check_quantity(quantity: int) -> None:
    if quantity < 1:
        raise QuantityWrong(f"{quantity} is no quantity.", field="quantity", allowed="1 or more")


def check_reason(reason: str) -> None:
    if not reason.strip():
        raise ReasonMissing(field="reason")
