"""What is written down besides the triggers: things done that change no row, and what people were shown."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from django.conf import settings
from django.db import connection, models, transaction

from opticshop.core import acting, reading
from opticshop.core.acting import Seen, Trace
from opticshop.core.prepared import Prepared, a_key_of_nobody
from opticshop.core.renderers import dumps

from .models import AuditEntry, AuditRead, AuditReadSubject
from .shape import person_path

#: Keys that one read names; no page is longer.
MOST_IDS = 200


def note(
    *,
    action: str,
    table: str = "",
    row_id: str = "",
    customer_id: uuid.UUID | None = None,
    branch_id: uuid.UUID | None = None,
    after: Mapping[str, Any] | None = None,
    trace: Trace | None = None,
) -> AuditEntry:
    """Write down something that no trigger sees, such as a sign-in, an export or a refusal."""
    return AuditEntry.objects.create(
        **_traced(trace or acting.current()),
        action=AuditEntry.Action(action),
        table_name=table[:80],
        row_id=row_id[:64],
        customer_id=customer_id,
        branch_id=branch_id,
        after=dict(after) if after else None,
    )


def reads_write(trace: Trace, *, status: int, addressed: str = "") -> None:
    """What the request showed: one statement on PostgreSQL, two or three elsewhere, whatever the size of the page."""
    shown = _merged(trace.seen)
    facts = {
        **_traced(trace),
        "kind": shown.model._meta.db_table if shown else "",
        "ids": [str(row.pk) for row in shown.rows[:MOST_IDS]] if shown else [addressed] if addressed else [],
        "status": status,
        "branch_ids": sorted(map(str, set(filter(None, map(_branch_of, shown.rows))))) if shown else [],
    }
    if connection.vendor == "postgresql":
        about, values = _about(shown)
        facts |= {name: dumps(facts[name]).decode() for name in ("ids", "branch_ids")}
        after = "" if settings.OPTICSHOP_READS_WAIT_FOR_DISK else _ON_DISK_SOON
        reading.execute(connection, f"{_READ}{after}{_OF} {about}", [*facts.values(), *values], prepares=True)
        return
    people = sorted(persons_of(shown.model, shown.rows)) if shown else []
    with transaction.atomic():
        read = AuditRead.objects.create(**facts)
        AuditReadSubject.objects.bulk_create([AuditReadSubject(read=read, customer_id=person) for person in people])


#: The read and whom it was about, in one statement and so in one transaction.
_READ = """WITH shown AS (INSERT INTO audit_auditread (
    actor_id, actor_label, actor_kind, via, address, request_id, method, route, reason, kind, ids, status, branch_ids
) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s) RETURNING id"""
_OF = """)
INSERT INTO audit_auditreadsubject (read_id, customer_id)
SELECT shown.id, about.person FROM shown,"""
#: For this transaction: the answer goes out without waiting for the disk. A power cut may take the reads of the last
#: half second with it (PostgreSQL's documentation, 30.4), though none that was sealed.
_ON_DISK_SOON = ", set_config('synchronous_commit', 'off', true)"


def _about(shown: Seen | None) -> tuple[str, list[Any]]:
    """Whom the rows are about, as PostgreSQL is told: by name, or by the way from the rows to them."""
    at_hand = None if shown is None else _persons_at_hand(shown.model, shown.rows)
    if shown is not None and at_hand is None:
        model: type[models.Model] = shown.model
        sql, values = _persons_by(model).asking([row.pk for row in shown.rows])
        return f"({sql}) AS about (person)", values
    return "unnest(%s::uuid[]) AS about (person)", ["{" + ",".join(sorted(map(str, at_hand or ()))) + "}"]


def _merged(seen: Iterable[Seen]) -> Seen | None:
    """The rows of the first model: what else was looked up on the way belongs to it."""
    found: Seen | None = None
    for each in seen:
        if found is None:
            found = Seen(each.model, list(each.rows))
        elif each.model is found.model:
            found.rows += each.rows
    return found


def persons_of(model: type[models.Model], rows: list[Any]) -> set[uuid.UUID]:
    """Whom the rows are about; one query at most, and none where the rows name the person themselves."""
    at_hand = _persons_at_hand(model, rows)
    if at_hand is not None:
        return at_hand
    return {person for [person] in _persons_by(model).rows_of([row.pk for row in rows])}


def _persons_at_hand(model: type[models.Model], rows: list[Any]) -> set[uuid.UUID] | None:
    """As far as it was read already; None where it was not."""
    path = person_path(model)
    if path is None:
        return set()
    if not path:
        return {row.pk for row in rows}
    if len(path) == 1:
        named = f"{path[0]}_id"
        return {person for row in rows if (person := getattr(row, named, None))}
    at_hand = [_walked(row, path[:-1]) for row in rows]
    if None in at_hand:
        return None
    return {person for row in at_hand if (person := getattr(row, f"{path[-1]}_id", None))}


def _walked(row: Any, path: Iterable[str]) -> Any:
    """The row at the end of the path, as far as it was read already; None where it was not."""
    for name in path:
        row = row._state.fields_cache.get(name)
        if row is None:
            return None
    return row


@cache
def _persons_by(model: type[models.Model]) -> Prepared[tuple[uuid.UUID]]:
    way = "__".join(person_path(model) or ())
    plain: models.QuerySet[Any] = models.QuerySet(model).exclude(**{way: None}).values_list(way)
    return Prepared(
        lambda keys: plain.filter(pk__in=keys).order_by().distinct(),
        field=model._meta.pk,
        stand_in=a_key_of_nobody(model),
    )


def _branch_of(row: Any) -> uuid.UUID | None:
    found: uuid.UUID | None = row.__dict__.get("branch_id")
    return found


def _traced(trace: Trace) -> dict[str, Any]:
    return trace.as_facts()
