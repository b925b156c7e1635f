"""How money becomes journal lines. One sign everywhere: positive is a debit, negative a credit.

The tax point (common practice, from memory; the company's adviser and local law come first): tax falls due at the
earlier of payment and supply. So a payment before the supply is divided into the net deposit, which is owed to the
customer, and its tax, which is owed to the state at once; at the supply the deposit becomes a sale and the rest of the
tax falls due; what is paid after the supply only settles what the customer owes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal

from opticshop.documents.receipt import TaxPart
from opticshop.ledger.services import Posting
from opticshop.orders.models import Order

from .models import Payment, Settlement

ROLE_OF_METHOD: dict[str, str] = {
    Payment.Method.CASH: "cash",
    Payment.Method.CARD: "card_clearing",
    Payment.Method.TRANSFER: "bank",
    Payment.Method.VOUCHER: "scheme_claims",
}
ROLE_OF_LOSS: dict[str, str] = {Settlement.Borne.BAD_DEBT: "bad_debts", Settlement.Borne.GOODWILL: "goodwill"}


def signed(role: str, amount: Decimal, *, tax_code: str = "", party: str = "") -> Posting:
    zero = Decimal(0)
    return Posting(role, debit=max(amount, zero), credit=max(-amount, zero), tax_code=tax_code, party=party)


def tax_code(part: TaxPart) -> str:
    """``standard-20``, ``exempt-0``."""
    return f"{part.category}-{part.rate_percent.normalize():f}"


def party_of(order: Order) -> str:
    return f"customers/{order.customer_id}"


def net_of(parts: Iterable[TaxPart]) -> Decimal:
    return sum((part.net for part in parts), Decimal(0))


def tax_of(parts: Iterable[TaxPart]) -> Decimal:
    return sum((part.tax for part in parts), Decimal(0))


def held(parts: Sequence[TaxPart], order: Order) -> list[Posting]:
    """Parts that come to be held (positive) or no longer are (negative), with their tax."""
    return [*deposits(parts, order), *taxes(parts)]


def deposits(parts: Sequence[TaxPart], order: Order) -> list[Posting]:
    """The net of the parts, credited to what is held for the customer."""
    party = party_of(order)
    return [signed("customer_deposits", -part.net, tax_code=tax_code(part), party=party) for part in parts]


def sold(parts: Sequence[TaxPart]) -> list[Posting]:
    """The net of the parts, credited to sales; exempt ones by themselves."""
    return [
        signed("sales_exempt" if part.category == "exempt" else "sales", -part.net, tax_code=tax_code(part))
        for part in parts
    ]


def taxes(parts: Sequence[TaxPart]) -> list[Posting]:
    return [signed("output_tax", -part.tax, tax_code=tax_code(part)) for part in parts]


def minus(parts: Sequence[TaxPart], others: Sequence[TaxPart]) -> list[TaxPart]:
    """Part by part; both divide the same price."""
    return [
        TaxPart(one.category, one.rate_percent, one.net - two.net, one.tax - two.tax, one.gross - two.gross)
        for one, two in zip(parts, others, strict=True)
    ]
