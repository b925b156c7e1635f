"""Writes of quotations: keeping a price for a customer, accepting it, withdrawing it, letting it expire."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.db import transaction
from django.db.models import F

from opticshop.branches.models import Branch
from opticshop.branches.series import Series
from opticshop.branches.services import number_next
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from . import events, pricing, services
from .models import Order, Quotation, QuotationLine
from .permissions import OrderPermission
from .quotations_models import QUOTATION_MOVES, QuotationState

#: How many days a quotation is good where nothing else is said. Common practice, no source.
VALID_DAYS = 30


class QuotationExpired(Conflict):
    """The last day of the quotation has passed: quote again at the prices of today."""

    code = "orders.quotation_expired"
    title = "The quotation has expired"


class QuotedArticlesGone(Conflict):
    """An article of the quotation was taken out of the catalogue; says which. Quote again with another."""

    code = "orders.quoted_articles_gone"
    title = "A quoted article is no longer sold"


def quotation_make(*, actor: Actor, wanted: services.Wanted, valid_days: int = VALID_DAYS) -> Quotation:
    """Price a pair like an order and keep the price with its reasons; nothing is reserved, no promotion is used.

    Raises what computing and pricing refuse, also for lenses that would not cut out.
    """
    actor.require(OrderPermission.PLACE, wanted.branch.id)
    with transaction.atomic():
        quote = services.order_quote(actor=actor, wanted=wanted)
        quote.computed.check_cuts_out()
        today = clock.today(wanted.branch.time_zone)
        quotation = Quotation.objects.create(
            branch=wanted.branch,
            number=number_next(branch=wanted.branch, kind=Series.QUOTATION),
            customer=wanted.customer,
            prescription=wanted.prescription,
            measurement=wanted.measurement,
            frame=wanted.frame,
            frame_is_customers=wanted.frame_is_customers,
            purpose=wanted.purpose,
            note=wanted.note,
            quoted_at=clock.now(),
            quoted_by_id=actor.id,
            quoted_on=today,
            valid_to=today + dt.timedelta(days=valid_days),
            currency=wanted.branch.currency,
            total=quote.total,
            tax_total=quote.tax_total,
            promotion_code=services.promotion_code(quote.lines),
        )
        QuotationLine.objects.bulk_create(
            QuotationLine(quotation=quotation, position=position, **pricing.columns(line))
            for position, line in enumerate(quote.lines, start=1)
        )
        _record(events.ORDER_QUOTED, quotation, actor, valid_to=quotation.valid_to.isoformat())
    return quotation


def quotation_accept(*, actor: Actor, quotation: Quotation, promised_on: dt.date | None = None) -> Order:
    """Place the order at the quoted price, once, while the quotation is good.

    Raises MoveNotAllowed for one that is no longer open, QuotationExpired, QuotedArticlesGone, and what placing an
    order refuses; then the quotation is as it was.
    """
    actor.require(OrderPermission.PLACE, quotation.branch_id)
    with transaction.atomic():
        services.customer_hold(quotation.customer)
        locked = _locked(quotation)
        check_move(QUOTATION_MOVES, locked.state, QuotationState.ACCEPTED, of=f"Quotation {locked.number}")
        if locked.valid_to < clock.today(locked.branch.time_zone):
            raise QuotationExpired(f"{locked.number} was good until {locked.valid_to}.", field="quotation")
        wanted = _wanted_of(locked, promised_on)
        articles = [wanted.frame, *wanted.lenses.values(), *wanted.treatments]
        gone = sorted({article.sku for article in articles if not article.is_active})
        if gone:
            raise QuotedArticlesGone(f"No longer sold: {', '.join(gone)}.", field="quotation")
        order = services.order_place(actor=actor, wanted=wanted, quotation=locked)
        _move(locked, QuotationState.ACCEPTED)
        _record(events.QUOTATION_ACCEPTED, locked, actor, order=str(order.id))
    return order


def quotation_withdraw(*, actor: Actor, quotation: Quotation, reason: str) -> Quotation:
    """Take an open quotation back."""
    actor.require(OrderPermission.PLACE, quotation.branch_id)
    with transaction.atomic():
        locked = _locked(quotation)
        check_move(QUOTATION_MOVES, locked.state, QuotationState.WITHDRAWN, of=f"Quotation {locked.number}")
        _move(locked, QuotationState.WITHDRAWN, withdrawn_reason=reason)
        _record(events.QUOTATION_WITHDRAWN, locked, actor, reason=reason)
    return locked


def quotations_expire(*, actor: Actor) -> int:
    """Mark the open quotations whose last day has passed at their branch; returns how many."""
    expired = 0
    for branch in Branch.objects.all():
        today = clock.today(branch.time_zone)
        due = Quotation.objects.everywhere("expiring what is due").filter(branch=branch)
        for found in due.filter(state=QuotationState.OPEN, valid_to__lt=today):
            with transaction.atomic():
                locked = _locked(found)
                if locked.state == QuotationState.OPEN:
                    _move(locked, QuotationState.EXPIRED)
                    _record(events.QUOTATION_EXPIRED, locked, actor)
                    expired += 1
    return expired


def _wanted_of(quotation: Quotation, promised_on: dt.date | None) -> services.Wanted:
    """What was quoted, to be ordered."""
    lines = list(quotation.lines.select_related("lens", "service"))
    return services.Wanted(
        branch=quotation.branch,
        customer=quotation.customer,
        prescription=quotation.prescription,
        measurement=quotation.measurement,
        frame=quotation.frame,
        lenses={line.eye: line.lens for line in lines if line.kind == "lens" and line.lens},
        purpose=quotation.purpose,  # type: ignore[arg-type]
        frame_is_customers=quotation.frame_is_customers,
        note=quotation.note,
        promised_on=promised_on,
        treatments=[line.service for line in lines if line.kind == "treatment" and line.service],
        promotion_code=quotation.promotion_code,
    )


def _locked(quotation: Quotation) -> Quotation:
    rows = Quotation.objects.everywhere("by key, authorised by the caller").filter(id=quotation.id)
    [locked] = lock_rows(rows.select_related("branch", "customer", "prescription", "measurement", "frame"))
    return locked


def _move(quotation: Quotation, state: QuotationState, **values: Any) -> None:
    Quotation.objects.everywhere("by key, locked by the caller").filter(id=quotation.id).update(
        state=state, version=F("version") + 1, **values
    )
    quotation.refresh_from_db()


def _record(event_type: str, quotation: Quotation, actor: Actor, **more: Any) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"quotes/{quotation.id}",
        actor=actor,
        branch_id=quotation.branch_id,
        data={"quotation": str(quotation.id), "number": quotation.number, **more},
    )
