"""To whom something about a person was really given, found in what was sent (GDPR, article 15(1)(c)).

Nothing is guessed from settings: a webhook, a channel or a supplier stands here only where a row says that it was sent.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from opticshop.audit.models import AuditRead, AuditReadSubject
from opticshop.correspondence.models import Message
from opticshop.integrations.models import WebhookDelivery
from opticshop.prices.vouchers_models import SchemeVoucher, VoucherState
from opticshop.purchasing.models import LensOrder

from .persons import SUBJECTS, Person, chunks, rows_of

#: States of a voucher in which the scheme has not been told of it.
_KEPT_BACK = (VoucherState.ISSUED, VoucherState.REDEEMED, VoucherState.CANCELLED)


@dataclass(frozen=True, slots=True)
class Recipient:
    """Who, what of the person they were given, how often, and the first and last day (UTC)."""

    name: str
    what: str
    times: int
    first: dt.date
    last: dt.date


def recipients_of(person: Person) -> list[Recipient]:
    """By name; staff of the shop are no recipients."""
    found: dict[tuple[str, str], list[dt.datetime]] = defaultdict(list)
    for finder in (_webhooks, _carriers, _makers, _schemes, _programs):
        for name, what, at in finder(person):
            found[name, what].append(at)
    return [
        Recipient(name, what, len(times), min(times).date(), max(times).date())
        for (name, what), times in sorted(found.items())
    ]


Sent = Iterator[tuple[str, str, dt.datetime]]


def _webhooks(person: Person) -> Sent:
    """Programs that are told of events: facts and numbers without names, words or powers."""
    abouts = [f"{SUBJECTS[table]}/{key}" for table, keys in person.keys.items() if table in SUBJECTS for key in keys]
    deliveries = WebhookDelivery.objects.everywhere("about one person, permission checked by the caller")
    for some in chunks(abouts):
        told = deliveries.filter(state=WebhookDelivery.State.DELIVERED, entry__event__subject__in=some)
        columns = ("endpoint__url", "endpoint__description", "settled_at", "entry__event__created_at")
        for url, words, settled, created in told.values_list(*columns):
            host = urlsplit(url).hostname or "another program"
            name = f"{words} ({host})" if words else host
            yield name, "that something happened (numbers of documents, no names)", settled or created


def _carriers(person: Person) -> Sent:
    sent = rows_of(Message, person.ids).filter(state=Message.State.SENT)
    for channel, way, at, created in sent.values_list("channel", "way", "sent_at", "created_at"):
        what = f"the address and the text of a message ({way})" if way else "the address and the text of a message"
        yield f"carrier of messages: {channel}", what, at or created


def _makers(person: Person) -> Sent:
    ordered = rows_of(LensOrder, person.ids).exclude(sent_at=None).exclude(supplier=None)
    for name, at in ordered.values_list("supplier__name", "sent_at"):
        yield f"maker of lenses: {name}", "powers and sizes of a lens to be made, under an order number", at


def _schemes(person: Person) -> Sent:
    claimed = rows_of(SchemeVoucher, person.ids).exclude(state__in=_KEPT_BACK)
    for scheme, at, created in claimed.values_list("scheme", "redeemed_at", "created_at"):
        yield f"public scheme: {scheme}", "a voucher and what was supplied for it", at or created


def _programs(person: Person) -> Sent:
    """Who read prescriptions over the interface for health records. Of staff only that it was such a program."""
    shown = AuditReadSubject.objects.filter(customer_id__in=person.ids).order_by().values("read").distinct()
    reads: Any = AuditRead.objects.filter(id__in=shown, route__startswith="fhir/")
    for label, kind, at in reads.values_list("actor_label", "actor_kind", "at").iterator():
        name = label if kind == "service" else "a program that staff signed in"
        yield f"exchange of health records: {name}", "the person, or a prescription with its prescriber", at
