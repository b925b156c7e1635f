"""Writes of the facts that recalls are made by: recorded, ended, or struck through; never edited."""

from __future__ import annotations

import datetime as dt

from django.db import IntegrityError, transaction

from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.customers.merged import refuse_merged
from opticshop.customers.models import Customer

from . import events
from .permissions import PrescriptionPermission
from .recall_facts_models import FLAGS, RecallFact


class RecallFlagUnknown(Invalid):
    """No recall interval is made by a fact of this name."""

    code = "prescriptions.recall_flag_unknown"
    title = "This fact is not known"


class RecallFactHolds(Conflict):
    """The fact is recorded and holds; end it or strike it through before it is recorded anew."""

    code = "prescriptions.recall_fact_holds"
    title = "This is recorded already"


class RecallFactOver(Conflict):
    """The fact was ended or struck through before; it is not changed any more."""

    code = "prescriptions.recall_fact_over"
    title = "This fact is over"


class RecallDayImplausible(Invalid):
    """A fact does not begin before birth or in the future, and does not end before it began."""

    code = "prescriptions.recall_day_implausible"
    title = "It cannot have been on that day"


def recall_fact_record(
    *, actor: Actor, customer: Customer, flag: str, since_on: dt.date, source: str, note: str = ""
) -> RecallFact:
    """Record a fact of a person, at the customer's branch. Raises RecallFactHolds where it is recorded already."""
    actor.require(PrescriptionPermission.RECORD, customer.branch_id)
    refuse_merged(actor, customer)
    if flag not in FLAGS:
        raise RecallFlagUnknown(f"{flag!r} is no such fact.", field="flag", allowed=sorted(FLAGS))
    today = clock.today(customer.branch.time_zone)
    _check_day(since_on, "since_on", customer.birth_date or dt.date(today.year - 130, 1, 1), today)
    with transaction.atomic():
        fact = RecallFact(
            branch=customer.branch,
            customer=customer,
            flag=flag,
            since_on=since_on,
            source=source,
            note=note,
            recorded_by_id=actor.id,
        )
        try:
            with transaction.atomic():
                fact.save(force_insert=True)
        except IntegrityError as error:
            if not _holding(customer, flag):
                raise
            raise RecallFactHolds(f"{FLAGS[flag]} holds already.", field="flag") from error
        _record(fact, actor)
    return fact


def recall_fact_end(*, actor: Actor, fact: RecallFact, until_on: dt.date) -> RecallFact:
    """The fact held until that day and not longer. Raises RecallFactOver, RecallDayImplausible."""
    with transaction.atomic():
        row = _locked(actor, fact)
        _check_day(until_on, "until_on", row.since_on, clock.today(row.branch.time_zone))
        row.until_on, row.ended_by_id = until_on, actor.id
        row.save(update_fields=["until_on", "ended_by"])
        _record(row, actor)
    return row


def recall_fact_strike(*, actor: Actor, fact: RecallFact, reason: str) -> RecallFact:
    """The fact was never so: it stays readable, with the reason, and does not count. Raises RecallFactOver."""
    with transaction.atomic():
        row = _locked(actor, fact, may_be_ended=True)
        row.struck_at, row.struck_by_id, row.struck_reason = clock.now(), actor.id, reason
        row.save(update_fields=["struck_at", "struck_by", "struck_reason"])
        _record(row, actor)
    return row


def _locked(actor: Actor, fact: RecallFact, *, may_be_ended: bool = False) -> RecallFact:
    actor.require(PrescriptionPermission.RECORD, fact.branch_id)
    rows = RecallFact.objects.everywhere("by key, permission checked above").select_related("branch")
    [row] = lock_rows(rows.filter(id=fact.id))
    if row.struck_at is not None:
        raise RecallFactOver(f"It was struck through: {row.struck_reason}", field="fact")
    if row.until_on is not None and not may_be_ended:
        raise RecallFactOver(f"It ended on {row.until_on}.", field="fact")
    return row


def _holding(customer: Customer, flag: str) -> bool:
    rows = RecallFact.objects.everywhere("of one customer, permission checked above")
    return rows.filter(customer=customer, flag=flag, until_on=None, struck_at=None).exists()


def _check_day(day: dt.date, field: str, first: dt.date, last: dt.date) -> None:
    if not first <= day <= last:
        raise RecallDayImplausible(f"{day} cannot be.", field=field, allowed=f"{first} to {last}")


def _record(fact: RecallFact, actor: Actor) -> None:
    outbox.record(
        event_type=events.RECALL_FACTS_CHANGED,
        subject=f"customers/{fact.customer_id}",
        actor=actor,
        branch_id=fact.branch_id,
        data={"customer": str(fact.customer_id)},
    )
