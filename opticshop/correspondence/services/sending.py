"""Sending what is due: the attempt is committed before the channel is called, the outcome after.

Policy where the outcome is not known (the channel says so, or the process died while sending): the message is marked
failed with what is known and never sent again by itself; a person asks the customer, or has it sent again under the
same id, so that the carrier can refuse a twin. Only "certainly not sent" is tried again, with growing pauses; what the
carrier refuses for good goes by the next way that the person allows. docs/messages.md has the table.
"""

from __future__ import annotations

import datetime as dt
import logging
import time
import uuid

from django.db import connection, transaction

from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.contacting import with_contact_facts
from opticshop.customers.models import Customer, Way
from opticshop.plugin_api import SendOutcome

from .. import events, reaching
from ..desk import Desk, Plan, apply, outbound
from ..kinds import kind_named
from ..models import Message
from .pacing import rate_take, windows_forget
from .queueing import NOT_KNOWN, record, withdraw

log = logging.getLogger("opticshop.correspondence")
State = Message.State
MAX_ATTEMPTS = 8
LONGEST_PAUSE = dt.timedelta(hours=6)
#: A message that has been "sending" for longer belongs to a process that died.
SENDING_TAKES_AT_MOST = dt.timedelta(minutes=15)
#: A run begins no further message after so long; what is left is found by the next.
RUN_SECONDS = 60.0


def send_due(*, actor: Actor, limit: int = 100, channel: str | None = None) -> int:
    """Send the messages that are due: service before recall before marketing, the oldest first.

    Returns how many were handled. Any number of workers may run it at once: each claims one message at a time, in a
    commit of its own, and passes over those of others. With a ``channel`` only what is to go by it.
    """
    run = _Run(actor, channel)
    handled = _give_up_lost(run)
    windows_forget()
    ends_at = time.monotonic() + RUN_SECONDS
    while handled < limit and time.monotonic() < ends_at:
        if not _send_next(run):
            break
        handled += 1
    return handled


def send_due_by(channel: str, *, actor: Actor, limit: int = 100) -> int:
    """``send_due`` for one channel, so that a slow one holds up nothing but itself."""
    return send_due(actor=actor, limit=limit, channel=channel)


class _Run:
    """What one run has learnt: the desks of the branches, and which channels have no place left in this minute."""

    def __init__(self, actor: Actor, channel: str | None = None):
        self.actor, self._channel = actor, channel
        self._desks: dict[uuid.UUID, Desk] = {}
        self._full: set[tuple[uuid.UUID, str]] = set()

    def desk(self, branch: Branch) -> Desk:
        return self._desks.get(branch.id) or self._desks.setdefault(branch.id, Desk(branch))

    def due(self) -> BranchQuerySet[Message]:
        rows = _messages().filter(state=State.QUEUED, awaits_batch=False, due_at__lte=clock.now())
        if self._channel is not None:
            rows = rows.filter(channel=self._channel)
        for branch_id, channel in self._full:
            rows = rows.exclude(branch_id=branch_id, channel=channel)
        return rows.order_by("priority", "due_at", "id")

    def full(self, message: Message) -> None:
        self._full.add((message.branch_id, message.channel))


def _send_next(run: _Run) -> bool:
    """Send the next message that is due; False when there is none."""
    claimed = _claim(run)
    if claimed is None:
        return False
    message, plan = claimed
    if plan is None or plan.serving is None:
        return True
    outcome = plan.serving.channel.send(outbound(message, plan.serving.channel, plan.unsubscribe_url))
    with transaction.atomic():
        [row] = _messages().select_for_update(of=("self",)).filter(id=message.id)
        row.customer = message.customer
        if row.state == State.SENDING:
            _settle(run, row, outcome)
        elif _is_in_doubt(row, message) and outcome.state != "unknown":
            _learn(run, row, outcome)
    return True


def _is_in_doubt(row: Message, message: Message) -> bool:
    """Whether it was given up in the meantime because this very attempt had taken so long."""
    same = (row.attempts, row.attempted_at) == (message.attempts, message.attempted_at)
    return same and row.state == State.FAILED and row.detail.startswith(NOT_KNOWN)


def _learn(run: _Run, message: Message, outcome: SendOutcome) -> None:
    """Write what became of an attempt of which that was not known. It is not sent again: a person decides."""
    message.detail = outcome.detail if outcome.state == "sent" else f"It was not sent. {outcome.detail}".strip()
    if outcome.state == "sent":
        message.state, message.sent_at = State.SENT, message.attempted_at
        message.provider_reference = (outcome.provider_reference or "")[:200]
        record(events.MESSAGE_SENT, message, run.actor)
    message.save(update_fields=["state", "sent_at", "detail", "provider_reference"])
    record(events.OUTCOME_LEARNT, message, run.actor, state=str(message.state))


def _claim(run: _Run) -> tuple[Message, Plan | None] | None:
    """Take the next due message and commit the attempt. None if there is none, no plan if it is not to be sent now."""
    with transaction.atomic():
        rows = run.due()
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        message = rows.first()
        if message is None:
            return None
        return message, prepare(run.actor, message, run.desk(message.branch), run)


def prepare(actor: Actor, message: Message, desk: Desk, run: _Run | None = None) -> Plan | None:
    """Look anew at a queued message whose row is held, and mark it as being sent. None if it is not to be sent now.

    With a run the message leaves on its own, at the pace of its channel; without one it goes into a batch.
    """
    if gone := kind_named(message.kind).gone(message):
        withdraw([message], actor, gone)
        return None
    message.customer = _loaded(message.customer_id)
    plan = desk.plan(message)
    if plan.obstacle and not plan.for_now:
        withdraw([message], actor, plan.obstacle)
        return None
    now = clock.now()
    if plan.obstacle:
        message.attempts, message.attempted_at = message.attempts + 1, now
        _settle(run or _Run(actor), message, SendOutcome(state="retry", detail=plan.obstacle))
        return None
    columns = apply(plan, message)
    allowed_at = _allowed_at(message, plan, now)
    if allowed_at > now:
        message.due_at = allowed_at
    elif message.awaits_batch == (run is None) and _may_go(run, message, plan):
        message.state, message.attempts, message.attempted_at = State.SENDING, message.attempts + 1, now
    message.save(update_fields=[*columns, "state", "attempts", "attempted_at", "due_at"])
    return plan if message.state == State.SENDING else None


def _allowed_at(message: Message, plan: Plan, now: dt.datetime) -> dt.datetime:
    """Now, or the next moment that both the quiet hours of the way and the kind of message allow. Post wakes nobody."""
    leaves_at, found = kind_named(message.kind).leaves_at, now
    if leaves_at is not None and plan.way != Way.LETTER:
        found = leaves_at(message, now)
    return reaching.next_allowed(found, plan.way, message.branch.time_zone)


def _may_go(run: _Run | None, message: Message, plan: Plan) -> bool:
    """Whether its channel has a place left in this minute. Where it has none, the run leaves that channel alone."""
    if run is None or plan.serving is None:
        return True
    if rate_take(message.branch, message.channel, plan.serving.per_minute):
        return True
    run.full(message)
    return False


def _settle(run: _Run, message: Message, outcome: SendOutcome) -> None:
    """Write what became of an attempt."""
    message.detail, event = outcome.detail, events.MESSAGE_FAILED
    if outcome.state == "sent":
        message.state, message.sent_at, event = State.SENT, clock.now(), events.MESSAGE_SENT
        message.provider_reference = (outcome.provider_reference or "")[:200]
    elif outcome.state == "retry" and message.attempts < MAX_ATTEMPTS:
        message.state = State.QUEUED
        pause = min(LONGEST_PAUSE, dt.timedelta(minutes=2**message.attempts))
        message.due_at = reaching.next_allowed(clock.now() + pause, message.way, message.branch.time_zone)
    elif outcome.state == "refused" and _goes_by_next_way(run, message):
        message.state, message.attempts, message.due_at = State.QUEUED, 0, clock.now()
    else:
        message.state = State.FAILED
        if outcome.state == "unknown":
            message.detail = f"{NOT_KNOWN} {outcome.detail}".strip()
    message.save(
        update_fields=[
            *("state", "sent_at", "provider_reference", "detail", "due_at", "attempts", "attempted_at"),
            *("ways_refused", "told", "to", "language", "way", "subject", "body", "channel", "form", "awaits_batch"),
        ]
    )
    if message.state != State.QUEUED:
        record(event, message, run.actor, **({"detail": message.detail} if message.detail else {}))


def _goes_by_next_way(run: _Run, message: Message) -> bool:
    """Note that the carrier refused it by this way, and turn to the next one that the person allows, if any."""
    refused = [way for way in (*message.ways_refused.split(","), message.way) if way]
    message.ways_refused = ",".join(dict.fromkeys(refused))
    plan = run.desk(message.branch).plan(message)
    if plan.obstacle:
        return False
    message.detail = f"Refused by {message.way}: {message.detail}".rstrip(": ")
    apply(plan, message)
    return True


def _give_up_lost(run: _Run) -> int:
    """Fail what has been "sending" for too long: the process that sent it never came back to say how it went."""
    lost = _messages().filter(state=State.SENDING, batch=None, attempted_at__lt=clock.now() - SENDING_TAKES_AT_MOST)
    with transaction.atomic():
        rows = lost
        if connection.features.has_select_for_update_skip_locked:
            rows = rows.select_for_update(skip_locked=True, of=("self",))
        found = list(rows)
        for message in found:
            log.error("message %s was being sent when its process ended", message.id)
            arrived = message.delivery == Message.Delivery.DELIVERED
            _settle(run, message, SendOutcome(state="sent" if arrived else "unknown"))
    return len(found)


def _loaded(customer_id: uuid.UUID) -> Customer:
    """The customer with all that says who may be told what."""
    rows = Customer.objects.everywhere("of a message that is held").filter(id=customer_id)
    return with_contact_facts(rows).get()


def _messages() -> BranchQuerySet[Message]:
    rows = Message.objects.everywhere("the duty sends for every branch")
    return rows.select_related("branch")
