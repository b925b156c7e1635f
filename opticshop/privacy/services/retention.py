"""The duty to let go: found every day, approved by head office, carried out in pieces; what was done is counted."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from itertools import islice

from django.db import transaction

from opticshop.core import acting, clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import Conflict, Forbidden, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move
from opticshop.customers.models import Customer

from ..models import RUN_MOVES, RetentionPeriod, RetentionRun, RunState
from ..over import Over, tables_by_row
from ..permissions import PrivacyPermission
from ..persons import Person, person_of
from .erasing import SYSTEM, ErasureStandsInTheWay, person_erase, rows_blank
from .searching import Copies, copies_search

#: Persons whom one proposal counts, and keys that it names of each sort. What is beyond stands in the next one.
MOST, NAMED = 500, 5
#: Persons, or chunks of rows, that one call of the duty carries out.
PIECES = 50
ROWS = 500
PERSONS, KEPT, OBSTRUCTED = "persons", "kept_records_of_erased", "persons_obstructed"


class PeriodExists(Conflict):
    """A period of this kind begins on that day in that place already; write one with another day."""

    code = "privacy.period_exists"
    title = "There is such a period already"


class RunGoesOn(Conflict):
    """One run at a time is carried out; the next is approved when it is done."""

    code = "privacy.run_goes_on"
    title = "Another run is still carried out"


def period_write(
    *,
    actor: Actor,
    kind: str,
    jurisdiction: str,
    valid_from: dt.date,
    years: int,
    source: str,
    confidence: str,
    to_age: int | None = None,
) -> RetentionPeriod:
    """How long the group keeps records of a kind from a day on. Nothing is changed: a new one follows. Raises
    PeriodExists."""
    _require_group(actor)
    where = {"kind": kind, "jurisdiction": jurisdiction, "valid_from": valid_from}
    with transaction.atomic():
        what = {"years": years, "to_age": to_age, "source": source, "confidence": confidence}
        period, made = RetentionPeriod.objects.get_or_create(**where, defaults=what)
    if not made:
        raise PeriodExists(f"{period}.", field="valid_from")
    return period


def run_propose(*, as_of: dt.date | None = None) -> RetentionRun | None:
    """Count what is over and put it before head office, in place of what was proposed before. Nothing is deleted."""
    day = as_of or clock.now().date()
    over = Over(day)
    found, examples = {}, {}
    for sort, keys in ((PERSONS, list(islice(over.persons(), MOST))), (KEPT, list(over.kept()))):
        found[sort], examples[sort] = len(keys), [str(key) for key in keys[:NAMED]]
    for table in tables_by_row():
        rows = over.rows(table)
        found[table] = rows.count()
        examples[table] = [str(key) for key in rows.order_by("pk").values_list("pk", flat=True)[:NAMED]]
    with transaction.atomic():
        RetentionRun.objects.filter(state=RunState.PROPOSED).update(state=RunState.DISCARDED)
        if not any(found.values()):
            return None
        return RetentionRun.objects.create(as_of=day, found=found, examples=examples)


def run_decide(*, actor: Actor, run: RetentionRun, version: int, state: str) -> RetentionRun:
    """Approve a proposal, or discard it. What is carried out is what is over on its day when it is carried out."""
    _require_group(actor)
    with transaction.atomic():
        [row] = lock_rows(RetentionRun.objects.filter(id=run.id))
        if row.version != version:
            raise VersionMismatch(field="If-Match")
        check_move(RUN_MOVES, row.state, state, of="The run")
        if state == RunState.APPROVED and RetentionRun.objects.filter(state=RunState.APPROVED).exists():
            raise RunGoesOn(field="state")
        row.state, row.decided_by_id, row.decided_at = state, actor.id, clock.now()
        row.version += 1
        row.save(update_fields=["state", "decided_by", "decided_at", "version"])
    return row


def run_carry_out() -> int:
    """A few pieces of the approved run, each in its own transaction with its count; killed and begun again it goes on
    where it was. Returns how many pieces were done."""
    run = RetentionRun.objects.filter(state=RunState.APPROVED).first()
    if run is None:
        return 0
    over = Over(run.as_of)
    persons = _persons(islice(over.persons(run.after), PIECES))
    kept = _persons(islice(over.kept(), PIECES - len(persons)))
    pieces = len(persons) + len(kept)
    copies = copies_search([*persons, *kept])
    for person in persons:
        _counted(run, partial(_end_person, person, run, PERSONS, copies), after=person.root.id)
    for person in kept:
        _counted(run, partial(_end_person, person, run, KEPT, copies))
    _counted(run, partial(_answered_meanwhile, [*persons, *kept]))
    for table in tables_by_row():
        while pieces < PIECES and over.rows(table).exists():
            _counted(run, partial(_end_rows, over, table))
            pieces += 1
    if pieces < PIECES:
        done = RetentionRun.objects.filter(id=run.id, state=RunState.APPROVED)
        done.update(state=RunState.DONE, finished_at=clock.now())
    return pieces


def _counted(run: RetentionRun, do: Callable[[], Counter[str]], **more: object) -> None:
    with transaction.atomic():
        [row] = lock_rows(RetentionRun.objects.filter(id=run.id))
        counts = Counter(row.done)
        counts.update(do())
        RetentionRun.objects.filter(id=run.id).update(done=dict(counts), **more)


def _persons(keys: Iterable[uuid.UUID]) -> list[Person]:
    rows = Customer.objects.everywhere("whose time is over")
    return [person_of(rows.get(id=key)) for key in keys]


def _end_person(person: Person, run: RetentionRun, sort: str, copies: Copies) -> Counter[str]:
    erase = partial(person_erase, actor=SYSTEM, customer=person.root, because="retention", today=run.as_of)
    try:
        return erase(copies=copies) + Counter({sort: 1})
    except ErasureStandsInTheWay:
        return Counter({OBSTRUCTED: 1})


def _answered_meanwhile(persons: Sequence[Person]) -> Counter[str]:
    """Copies that were made while those before were emptied. Who could not be erased keeps theirs."""
    rows = Customer.objects.everywhere("whose time is over").exclude(erased_at=None)
    erased = set(rows.filter(id__in=[each.root.id for each in persons]).values_list("id", flat=True))
    copies = copies_search([each for each in persons if each.root.id in erased])
    return sum((copies.empty(each) for each in persons), Counter())


def _end_rows(over: Over, table: str) -> Counter[str]:
    keys = list(over.rows(table).order_by("pk").values_list("pk", flat=True)[:ROWS])
    with acting.values_untold():
        rows_blank(table, keys)
    return Counter({table: len(keys)})


def _require_group(actor: Actor) -> None:
    if actor.where(PrivacyPermission.HANDLE) is not ALL:
        raise Forbidden("This is for head office.", permission=str(PrivacyPermission.HANDLE))
