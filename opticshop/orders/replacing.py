"""One order instead of another: the prescriber amended, the customer changed the frame, the wrong lens was ordered."""

from __future__ import annotations

from dataclasses import replace

from django.db import transaction

from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.customers.merged import belongs_to

from . import events, services
from .models import ORDER_MOVES, Order, OrderState
from .permissions import OrderPermission


class AlreadyReplaced(Conflict):
    """The order was replaced before; names the order that stands in its place, which can be replaced in turn."""

    code = "orders.already_replaced"
    title = "Another order stands in the place of this one"


def order_replace(
    *, actor: Actor, order: Order, wanted: services.Wanted, reason: str, cause: str = "", borne_by: str = ""
) -> Order:
    """Place an order in the place of another and link the two, in one transaction.

    The former order is called off (a collected one stays collected): its cut lenses are written off, the rest goes back
    to the drawer and can be taken by the new order at once. The new one is computed, priced and reserved like any
    other. Money taken for the former is given back by its own use case. Raises AlreadyReplaced, DoesNotBelongTogether,
    and all that cancelling and placing refuse; then nothing has changed.
    """
    actor.require(OrderPermission.PLACE, order.branch_id)
    actor.require(OrderPermission.CANCEL, order.branch_id)
    if not belongs_to(order, wanted.customer):
        raise services.DoesNotBelongTogether("The former order is another person's.", field="customer")
    if wanted.branch.id != order.branch_id:
        raise services.DoesNotBelongTogether("The former order is another branch's.", field="branch")
    with transaction.atomic():
        [former] = lock_rows(
            Order.objects.everywhere("by key, authorised above").filter(id=order.id).select_related("branch")
        )
        other = former.replacements.exclude(state=OrderState.CANCELLED).first()
        if other is not None:
            raise AlreadyReplaced(f"{other.number} replaces {former.number}.", field="order", order=str(other.id))
        if OrderState.CANCELLED in ORDER_MOVES[former.state]:
            why = f"Replaced: {reason}"[:300]
            services.order_cancel(actor=actor, order=former, reason=why, cause=cause, borne_by=borne_by)
        else:
            services.renew(former)
            if wanted.promotion_code == former.promotion_code:
                wanted = replace(wanted, promotion_code="")  # it stays used on the pair that was collected
        placed = services.order_place(actor=actor, wanted=wanted, replaces=former, replacement_reason=reason)
        services.record(
            events.ORDER_REPLACED, placed, actor, replaces=str(former.id), cause=cause, borne_by=borne_by, reason=reason
        )
    return placed


def wanted_of(order: Order) -> services.Wanted:
    """What was wanted with an order, to be placed again with differences."""
    return services.Wanted(
        branch=order.branch,
        customer=order.customer,
        prescription=order.prescription,
        measurement=order.measurement,
        frame=order.frame,
        lenses={lens.eye: lens.product for lens in order.lenses.all()},
        purpose=order.purpose,  # type: ignore[arg-type]
        frame_is_customers=order.frame_is_customers,
        note=order.note,
        treatments=[line.service for line in order.lines.all() if line.kind == "treatment" and line.service],
        promotion_code=order.promotion_code,
    )
