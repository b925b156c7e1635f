"""Erasing a person: one transaction that does what the plan says, table by table, and what it says beyond them."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

from django.db import transaction
from django.db.models import F, QuerySet

from opticshop.core import acting, append_only, clock, outbox
from opticshop.core.actor import Actor, system
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.correspondence.models import Message
from opticshop.correspondence.services.queueing import withdraw
from opticshop.customers.models import Customer
from opticshop.orders.quotations_models import Quotation, QuotationState
from opticshop.orders.quotations_services import quotation_withdraw
from opticshop.quality.models import Photograph
from opticshop.quality.photographs import path_of

from .. import events
from ..models import KeptIdentity
from ..obstacles import Obstacle, obstacles_of
from ..persons import Person, chunks, person_of, personal_models, rows_of
from ..planning import BLANK, DELETE, Plan, plan_for
from ..rules import ERASED, RecordKind, policy
from .scrubbing import copies_scrub, delete_rows, values_going
from .searching import Copies, copies_search

#: What is kept past its day, because something refers to it, is looked at again after this.
LOOK_AGAIN = dt.timedelta(days=30)
SYSTEM = system("privacy")


class ErasureStandsInTheWay(Conflict):
    """Something is still going on with the person; ``allowed`` names each thing and what to do first."""

    code = "privacy.erasure_obstructed"
    title = "This person cannot be erased yet"


def refuse_obstructed(obstacles: list[Obstacle]) -> None:
    """Raise ErasureStandsInTheWay where there is any."""
    if obstacles:
        raise ErasureStandsInTheWay(
            " ".join(each.words for each in obstacles),
            field="customer",
            allowed=[{"code": each.code, "about": each.about, "first": each.words} for each in obstacles],
        )


def person_erase(
    *, actor: Actor, customer: Customer, because: str, today: dt.date | None = None, copies: Copies | None = None
) -> Counter[str]:
    """Erase a person with every record merged into theirs; returns how many rows were deleted or emptied, by table.

    Permissions are checked by the caller. Asked again for an erased person it ends what had to be kept and need not
    be any more. ``copies``: found by who erases many persons at once; otherwise they are looked for here. The audit
    trail tells what was emptied and which rows went, not what they held. Raises ErasureStandsInTheWay.
    """
    with transaction.atomic(), acting.values_untold():
        person = person_locked(customer)
        first_time = person.root.erased_at is None
        if first_time:
            refuse_obstructed(obstacles_of(person))
        plan = plan_for(person, today)
        with append_only.opened(plan.sealed):
            done = _carried_out(person, plan, copies or copies_search([person]))
        _keep_identity(person, plan, first_time, because)
        if first_time:
            outbox.record(
                event_type=events.PERSON_ERASED,
                subject=f"customers/{person.root.id}",
                actor=actor,
                branch_id=person.root.branch_id,
                data={"customer": str(person.root.id), "because": because},
            )
    return done


def _carried_out(person: Person, plan: Plan, copies: Copies) -> Counter[str]:
    going = values_going(person, plan)
    messages_take_back(person, "The person was erased.")
    _quotations_withdraw(person)
    done = copies_scrub(person, going, copies)
    if any(each.table == Photograph._meta.db_table for each in plan.of(DELETE)):
        _forget_files(person)
    for each in plan.of(DELETE):
        done[each.table] += delete_rows(personal_models()[each.table], person.keys[each.table])
    for each in plan.of(BLANK):
        done[each.table] += _blank(person, each.table)
    return done


def person_locked(customer: Customer) -> Person:
    """The person as they are once nobody else writes to any of their records."""
    rows = Customer.objects.everywhere("records of one person, permission checked by the caller")
    lock_rows(rows.filter(id__in=person_of(customer).ids))
    return person_of(customer)


def messages_take_back(person: Person, why: str) -> int:
    """Nothing that waits is sent any more; whoever listens hears of it. Returns how many messages waited."""
    waiting = list(rows_of(Message, person.ids).filter(state=Message.State.QUEUED))
    withdraw(waiting, SYSTEM, why)
    return len(waiting)


def _quotations_withdraw(person: Person) -> None:
    """No offer stays open for somebody who is not there any more."""
    for quotation in rows_of(Quotation, person.ids).filter(state=QuotationState.OPEN).order_by("id"):
        quotation_withdraw(actor=SYSTEM, quotation=quotation, reason=ERASED)


def _blank(person: Person, table: str) -> int:
    """Empty the columns that the rule names. What a table wants explained says that it was erased."""
    more = {}
    if table == Customer._meta.db_table:
        more = {"erased_at": clock.now(), "restricted_at": None, "version": F("version") + 1}
    for keys in chunks(person.keys[table]):
        rows_blank(table, keys, **more)
    return len(person.keys[table])


def rows_blank(table: str, keys: list[Any], **more: Any) -> None:
    plain: QuerySet[Any] = QuerySet(personal_models()[table])
    rows, blank = plain.filter(pk__in=keys), policy().rules[table].blank
    emptied = more | {name: value for name, value in blank.items() if value != ERASED}
    if emptied:
        rows.update(**emptied)
    for name in blank.keys() - emptied.keys():
        rows.exclude(**{name: ""}).update(**{name: ERASED})


def _forget_files(person: Person) -> None:
    """The files of photographs go when the transaction has ended well."""
    for photograph in rows_of(Photograph, person.ids):
        path: Path = path_of(photograph.branch_id, photograph.id, photograph.content_type)
        transaction.on_commit(partial(path.unlink, missing_ok=True))


#: What cannot be used without knowing whose it is.
_NEEDS_A_NAME = frozenset({RecordKind.CLINICAL, RecordKind.SUPPLY, RecordKind.SCHEME, RecordKind.BOOKKEEPING})


def _keep_identity(person: Person, plan: Plan, first_time: bool, because: str) -> None:
    """Who it was is set apart for as long as records must be kept that are of use only with the name."""
    until, following = plan.kept_until, plan.next_end
    kept = KeptIdentity.objects.everywhere("of one person, permission checked by the caller")
    if until is None or following is None:
        kept.filter(customer__in=person.ids).delete()
        return
    named = any(each.kind in _NEEDS_A_NAME for each in plan.tables if each.until is not None)
    next_on = max(following, clock.now().date() + LOOK_AGAIN)
    reason = f"Records that the law or a claim may ask for: {because}"[:300]
    for record in person.records if first_time else ():
        who = {
            "given_name": record.given_name if named else "",
            "family_name": record.family_name if named else "",
            "birth_date": record.birth_date if named else None,
        }
        KeptIdentity.objects.create(customer=record, kept_until=until, next_on=next_on, reason=reason, **who)
    if not first_time:
        kept.filter(customer__in=person.ids).update(kept_until=until, next_on=next_on)
        if not named:
            kept.filter(customer__in=person.ids).update(given_name="", family_name="", birth_date=None)
