"""Full invoices of orders and the credit notes that correct them; both numbered without gaps, neither ever changed."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db import transaction

from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.money import rounded
from opticshop.core.sums import MoneySum
from opticshop.orders.models import Order, OrderState

from .. import events
from ..card_data import refuse_card_data
from ..invoices import content_of
from ..models import Invoice, Payment
from ..permissions import BillingPermission
from ..tax_parts import parts_of_payment
from .accounts import Account, account_open, check_amount

SERIES = {Invoice.Kind.INVOICE: Series.INVOICE, Invoice.Kind.CREDIT_NOTE: Series.CREDIT_NOTE}
_ZERO = Decimal(0)


class AlreadyInvoiced(Conflict):
    """An invoice of the order stands that is not wholly credited; names it. Correct it with a credit note first."""

    code = "billing.already_invoiced"
    title = "An invoice of this order stands"


class NothingToInvoice(Conflict):
    """An order that was called off is not invoiced, nor one whose price was given back."""

    code = "billing.nothing_to_invoice"
    title = "There is nothing to invoice"


class NotAnInvoice(Conflict):
    """A credit note is not credited; issue a new invoice instead."""

    code = "billing.not_an_invoice"
    title = "This is a credit note"


class MoreThanInvoiced(Invalid):
    """More would be credited than the invoice still states; says what is left."""

    code = "billing.more_than_invoiced"
    title = "More than was invoiced"


class CreditUnexplained(Invalid):
    """A credit note needs its reason."""

    code = "billing.credit_unexplained"
    title = "Say why the invoice is credited"


def invoice_issue(*, actor: Actor, order: Order, buyer: Mapping[str, str] | None = None) -> Invoice:
    """Issue the full invoice of an order; without a ``buyer`` (name, address, tax_number) to its customer.

    At most one stands at a time. It books nothing: payment and supply are booked as they happen (``postings``).
    Raises AlreadyInvoiced, NothingToInvoice.
    """
    actor.require(BillingPermission.INVOICE, order.branch_id)
    for words in (buyer or {}).values():
        refuse_card_data(words, field="buyer")
    with transaction.atomic():
        account = account_open(actor=actor, order=order)
        order = account.order
        if (order.state == OrderState.CANCELLED and not account.is_supplied) or account.balance.credited:
            raise NothingToInvoice(f"{order.number} is {order.state}; its price does not stand.", field="order")
        standing = standing_invoice(order)
        if standing is not None:
            raise AlreadyInvoiced(f"{standing.number} stands.", field="order", invoice=str(standing.id))
        customer = order.customer
        default = {
            "name": f"{customer.given_name} {customer.family_name}",
            "address": customer.address,
            "tax_number": "",
        }
        parts = [part for part in account.summary if part.gross] or account.summary
        content = content_of(
            order=order,
            lines=account.lines,
            parts=parts,
            buyer={**default, **(buyer or {})},
            issued_on=clock.today(order.branch.time_zone),
            supplied_on=order.collected_at.astimezone(ZoneInfo(order.branch.time_zone)).date()
            if order.collected_at
            else None,
            paid=account.balance.paid,
        )
        return _issue(actor, order, Invoice.Kind.INVOICE, content)


def credit_note_issue(*, actor: Actor, invoice: Invoice, reason: str, amount: Decimal | None = None) -> Invoice:
    """Correct an invoice by a credit note, in part or (without an amount) for all that is left of it.

    It moves no money and books nothing: a refund does, and issues its own. Raises MoreThanInvoiced, NotAnInvoice.
    """
    actor.require(BillingPermission.REFUND, invoice.branch_id)
    if not reason.strip():
        raise CreditUnexplained(field="reason")
    refuse_card_data(reason, field="reason")
    if invoice.kind != Invoice.Kind.INVOICE:
        raise NotAnInvoice(field="invoice")
    if amount is not None:
        check_amount(amount, invoice.currency)
    with transaction.atomic():
        account = account_open(actor=actor, order=invoice.order)
        left = invoice.total - credited_of(invoice)
        wanted = left if amount is None else amount
        if wanted > left or not left:
            raise MoreThanInvoiced(
                f"{left} {invoice.currency} of {invoice.number} stands.", field="amount", allowed={"at_most": str(left)}
            )
        return _credit(actor, account, invoice, wanted, left, reason.strip())


def credit_for_refund(actor: Actor, account: Account, refund: Payment) -> Invoice | None:
    """The credit note of a refund that lowers the price, where an invoice stands that states it."""
    invoice = standing_invoice(account.order)
    if invoice is None:
        return None
    left = invoice.total - credited_of(invoice)
    return _credit(actor, account, invoice, min(-refund.amount, left), left, refund.reason)


def standing_invoice(order: Order) -> Invoice | None:
    """The invoice of an order that is not wholly credited."""
    invoices = Invoice.objects.everywhere("of an order the caller has locked").filter(order=order)
    latest = invoices.filter(kind=Invoice.Kind.INVOICE).order_by("-ordinal").first()
    return latest if latest is not None and (latest.total - credited_of(latest) or not latest.total) else None


def credited_of(invoice: Invoice) -> Decimal:
    notes = Invoice.objects.everywhere("of an invoice the caller may see").filter(credits=invoice)
    return notes.aggregate(sum=MoneySum("total"))["sum"] or _ZERO


def _credit(actor: Actor, account: Account, invoice: Invoice, amount: Decimal, left: Decimal, reason: str) -> Invoice:
    order = account.order
    fallen = parts_of_payment(account.summary, paid_before=left, amount=-amount, currency=order.currency)
    parts = [
        type(part)(part.category, part.rate_percent, -part.net, -part.tax, -part.gross) for part in fallen if part.gross
    ]
    content = content_of(
        order=order,
        lines=[],
        parts=parts,
        buyer=invoice.content["buyer"],
        issued_on=clock.today(order.branch.time_zone),
        supplied_on=None,
        paid=rounded(_ZERO, order.currency),
        refers_to={"number": invoice.number, "issued_on": invoice.issued_on.isoformat()},
        reason=reason,
    )
    return _issue(actor, order, Invoice.Kind.CREDIT_NOTE, content, credits=invoice, reason=reason)


def _issue(
    actor: Actor,
    order: Order,
    kind: Invoice.Kind,
    content: dict[str, object],
    *,
    credits: Invoice | None = None,
    reason: str = "",
) -> Invoice:
    invoice = Invoice.objects.create(
        branch=order.branch,
        order=order,
        kind=kind,
        number=number_next(branch=order.branch, kind=SERIES[kind]),
        credits=credits,
        ordinal=Invoice.objects.everywhere("of a locked order").filter(order=order).count() + 1,
        issued_on=clock.today(order.branch.time_zone),
        total=Decimal(str(content["total"])),
        tax_total=Decimal(str(content["tax_total"])),
        currency=order.currency,
        reason=reason[:200],
        issued_by_id=actor.id,
        content=content,
    )
    outbox.record(
        event_type=events.INVOICED,
        subject=f"invoices/{invoice.id}",
        actor=actor,
        branch_id=order.branch_id,
        data={
            "invoice": str(invoice.id),
            "number": invoice.number,
            "kind": str(kind),
            "order": str(order.id),
            "total": str(invoice.total),
            "currency": order.currency,
            "credits": str(credits.id) if credits else None,
        },
    )
    return invoice
