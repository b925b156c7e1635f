"""What an order's own steps mean for its money: collected is supplied, called off is owed no more."""

from __future__ import annotations

from django.db import transaction

from opticshop.core.actor import Actor
from opticshop.orders.models import Order, OrderState

from .accounts import account_open
from .invoices import credit_note_issue, standing_invoice


def supply_book(*, actor: Actor, order: Order) -> None:
    """Bring the books of an order up to where it stands; harmless to repeat.

    A collected pair turns its deposit into a sale, once, however often it is remade. A pair called off before that owes
    nothing: its write-offs are taken back and its invoice is credited.
    """
    with transaction.atomic():
        account = account_open(actor=actor, order=order)
        if account.order.state == OrderState.CANCELLED and not account.is_supplied:
            invoice = standing_invoice(account.order)
            if invoice is not None and invoice.total:
                why = f"Called off: {account.order.cancelled_reason}"[:200]
                credit_note_issue(actor=actor, invoice=invoice, reason=why)
