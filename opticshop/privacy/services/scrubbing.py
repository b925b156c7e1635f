"""What erasure does beyond the tables that lead to the customer: copies in events, kept answers, imports, alerts."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Sequence
from typing import Any

from django.db.models import CharField, Model, QuerySet, TextField

from opticshop.alerts.models import Alert
from opticshop.core import append_only
from opticshop.core.models import EventDelivery, OutboxEvent
from opticshop.correspondence.models import LetterBatch, Message, Reply
from opticshop.imports.models import ImportRow
from opticshop.integrations.models import WebhookAttempt
from opticshop.orders import services as orders
from opticshop.orders.causes import CAUSES
from opticshop.orders.models import Order
from opticshop.stock.models import Movement

from ..persons import CHUNK, SUBJECTS, Person, chunks, personal_models, rows_of
from ..planning import BLANK, DELETE, Plan
from ..rules import ERASED, policy
from .searching import SHORTEST, Copies


def values_going(person: Person, plan: Plan) -> frozenset[str]:
    """The texts of the person that the plan takes away: by them copies are known."""
    found: set[str] = set()
    for each in plan.tables:
        if each.what not in (DELETE, BLANK):
            continue
        model = personal_models()[each.table]
        blank = policy().rules[each.table].blank
        names = [
            field.attname
            for field in model._meta.local_concrete_fields
            if isinstance(field, CharField | TextField) and not field.choices
            if field.name in blank or (each.what == DELETE and field.name not in {"channel", "policy", "system"})
        ]
        rows: QuerySet[Any] = QuerySet(model)
        for keys in chunks(person.keys[each.table]):
            for row in rows.filter(pk__in=keys).values_list(*names) if names else ():
                found.update(value for value in row if value)
    found.update(f"{record.given_name} {record.family_name}" for record in person.records)
    return frozenset(value for value in found if len(value) >= SHORTEST)


def copies_scrub(person: Person, going: frozenset[str], found: Copies) -> Counter[str]:
    """Cut the texts out of the copies; ``found``: those that only a search finds. Returns how many rows were changed,
    by table."""
    done: Counter[str] = Counter()
    abouts = [f"{SUBJECTS[table]}/{key}" for table, keys in person.keys.items() if table in SUBJECTS for key in keys]
    done += _events(abouts, going)
    done += found.empty(person, _import_rows(person))
    done += _movements(person)
    done += _letters(person, abouts)
    return +done


def _events(abouts: Sequence[str], going: frozenset[str]) -> Counter[str]:
    done: Counter[str] = Counter()
    for some in chunks(abouts):
        events = list(OutboxEvent.objects.filter(subject__in=some))
        changed = []
        for event in events:
            clean = _without(event.data, going)
            if clean != event.data:
                event.data = clean
                changed.append(event)
        OutboxEvent.objects.bulk_update(changed, ["data"], batch_size=CHUNK)
        done["core_outboxevent"] += len(changed)
        keys = [event.id for event in events]
        failed = EventDelivery.objects.filter(event__in=keys).exclude(last_error="")
        done["core_eventdelivery"] += failed.update(last_error="")
        attempts = WebhookAttempt.objects.filter(delivery__entry__event__in=keys).exclude(response="", error="")
        done["integrations_webhookattempt"] += attempts.update(response="", error="")
        alerts = Alert.objects.everywhere("about one person's documents, permission checked by the caller")
        noted = alerts.filter(about__in=some)
        done["alerts_alert"] += noted.exclude(note="").update(note="")
        done["alerts_alert"] += noted.exclude(closed_reason="").update(closed_reason="erased")
    return done


def _without(value: Any, going: frozenset[str]) -> Any:
    """The JSON value, its texts emptied that contain one of those that go."""
    if isinstance(value, dict):
        return {name: _without(each, going) for name, each in value.items()}
    if isinstance(value, list):
        return [_without(each, going) for each in value]
    if isinstance(value, str) and any(text in value for text in going):
        return ""
    return value


def _import_rows(person: Person) -> set[uuid.UUID]:
    """Rows of imports that made something of the person."""
    rows = ImportRow.objects.everywhere("rows of one person, permission checked by the caller")
    keys: list[uuid.UUID] = [key for table in SUBJECTS for key in person.keys.get(table, ())]
    return {key for some in chunks(keys) for key in rows.filter(made_id__in=some).values_list("id", flat=True)}


def _movements(person: Person) -> Counter[str]:
    """Lines of the stock ledger keep their figures; words that somebody wrote about an order of the person go.

    The ledger is sealed by the database: where the service does not own it, the words stay.
    """
    numbers = {orders.document_of(order): order.number for order in rows_of(Order, person.ids)}
    lines = Movement.objects.everywhere("of one person's orders, permission checked by the caller")
    worded = []
    for some in chunks(numbers):
        found = lines.filter(document__in=some).exclude(reason__in=["", ERASED])
        for key, document, reason in found.values_list("id", "document", "reason"):
            if reason not in {orders.called_off_words(numbers[document], cause) for cause in ("", *CAUSES)}:
                worded.append(key)
    if not worded or not append_only.may_open():
        return Counter()
    table = Movement._meta.db_table
    with append_only.opened({table}):
        for keys in chunks(worded):
            lines.filter(id__in=keys).update(reason=ERASED)
    return Counter({table: len(worded)})


def _letters(person: Person, abouts: Sequence[str]) -> Counter[str]:
    """Printed letters, what was sent to the person about somebody else, and answers from their address."""
    done: Counter[str] = Counter()
    messages = Message.objects.everywhere("of one person, permission checked by the caller")
    batches = LetterBatch.objects.everywhere("with letters of one person, permission checked by the caller")
    sent = messages.filter(pk__in=person.keys.get("correspondence_message", ())).exclude(batch=None)
    printed = batches.filter(id__in=sent.values("batch")).exclude(state=LetterBatch.State.MADE).exclude(document=None)
    done["correspondence_letterbatch"] = printed.update(document=None)
    for_others = messages.filter(told__in=person.ids).exclude(customer__in=person.ids)
    done["correspondence_message"] = for_others.exclude(to="").update(to="", detail="")
    addresses = {mark for each in person.records for mark in (each.email, each.phone_e164) if mark}
    replies = Reply.objects.everywhere("from one person's address, permission checked by the caller")
    done["correspondence_reply"], _ = replies.filter(sender__in=addresses, customer=None).delete()
    return done


def delete_rows(model: type[Model], keys: Sequence[Any]) -> int:
    """Delete rows by key and nothing else; that nothing refers to them is checked when the transaction ends."""
    rows: QuerySet[Any] = QuerySet(model)
    return sum(rows.filter(pk__in=some)._raw_delete(rows.db) for some in chunks(keys))
