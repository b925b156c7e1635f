"""What a person asks of us: received with how we know who asks, decided within its time, carried out once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from django.db import IntegrityError, transaction

from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Forbidden, Invalid, VersionMismatch
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move
from opticshop.customers.ages import age_on
from opticshop.customers.contacting import GUARDIAN_BELOW, identity_of
from opticshop.customers.models import Customer
from opticshop.prescriptions.validity import months_after

from .. import events
from ..models import REQUEST_MOVES, AccessFile, PrivacyRequest, RequestKind, RequestState, StepKind
from ..permissions import PrivacyPermission
from ..persons import person_of
from .erasing import person_erase
from .restricting import person_restrict, person_unrestrict
from .steps import event_record, step_record

#: One month, and two more for what is complex or many (GDPR, article 12(3)); a month ends on the same day of a later
#: month, or on its last (Regulation (EEC) 1182/71, article 3, from memory).
MONTHS, MORE_MONTHS = 1, 2


class ReceivedImplausible(Invalid):
    """A request is written down on the day it came or later, and not years afterwards."""

    code = "privacy.received_implausible"
    title = "It cannot have come on that day"


class NotTheGuardian(Invalid):
    """Only the recorded guardian asks for a child, and only while it is one; who is older asks alone."""

    code = "privacy.not_the_guardian"
    title = "This person cannot ask for the customer"


class AskedAlready(Conflict):
    """A request of this kind of this person is open."""

    code = "privacy.asked_already"
    title = "This was asked already"


class ExtendedAlready(Conflict):
    """The time is extended once, before it is over, with the reason."""

    code = "privacy.extended_already"
    title = "The time cannot be extended again"


class CopyNotFetched(Conflict):
    """An access request is done when its copy was made and fetched."""

    code = "privacy.copy_not_fetched"
    title = "The copy was not handed over"


def request_receive(
    *,
    actor: Actor,
    customer: Customer,
    kind: str,
    way: str,
    identity_check: str,
    received_on: dt.date | None = None,
    words: str = "",
    guardian: Customer | None = None,
) -> PrivacyRequest:
    """Write down what was asked. It stands for the person, whichever of their merged records was named.

    Raises ReceivedImplausible, NotTheGuardian, AskedAlready.
    """
    root = identity_of(customer)
    actor.require(PrivacyPermission.HANDLE, customer.branch_id)
    today = clock.today(root.branch.time_zone)
    day = received_on or today
    if not today - dt.timedelta(days=366) <= day <= today:
        raise ReceivedImplausible(f"{day} cannot be.", field="received_on", allowed=f"up to {today}")
    _check_guardian(root, guardian, today)
    try:
        with transaction.atomic():
            made = PrivacyRequest.objects.create(
                branch=root.branch,
                customer=root,
                guardian=guardian,
                kind=kind,
                way=way,
                received_on=day,
                due_on=months_after(day, MONTHS),
                identity_check=identity_check,
                words=words,
            )
            step_record(actor, made, StepKind.RECEIVED)
            event_record(events.REQUEST_RECEIVED, made, actor)
    except IntegrityError as error:
        if "privacy_request_open_once" not in str(error) and "privacy_privacyrequest.customer_id" not in str(error):
            raise
        raise AskedAlready(f"A request for {kind} is open.", field="kind") from error
    return made


def _check_guardian(root: Customer, guardian: Customer | None, today: dt.date) -> None:
    if guardian is None:
        return
    age = age_on(root.birth_date, today)
    if age is not None and age >= GUARDIAN_BELOW.age:
        raise NotTheGuardian(f"The person is {age} and asks alone ({GUARDIAN_BELOW.source}).", field="guardian")
    recorded = identity_of(root.guardian) if root.guardian is not None else None
    if recorded is None or recorded.id != identity_of(guardian).id:
        raise NotTheGuardian("Another guardian, or none, is recorded for the customer.", field="guardian")


def request_extend(*, actor: Actor, request: PrivacyRequest, version: int, reason: str) -> PrivacyRequest:
    """Two more months, told to the person with the reason before the first is over. Raises ExtendedAlready."""
    with transaction.atomic():
        row = _held(actor, request, version)
        check_move(REQUEST_MOVES, row.state, RequestState.DONE, of="The request")
        if row.extended_reason:
            raise ExtendedAlready("It was extended before.", field="reason")
        if clock.today(row.branch.time_zone) > row.due_on:
            raise ExtendedAlready(f"It was due on {row.due_on}.", field="reason")
        row.due_on, row.extended_reason = months_after(row.received_on, MONTHS + MORE_MONTHS), reason
        row.version += 1
        row.save(update_fields=["due_on", "extended_reason", "version"])
        step_record(actor, row, StepKind.EXTENDED, reason)
        event_record(events.REQUEST_EXTENDED, row, actor)
    return row


def request_refuse(*, actor: Actor, request: PrivacyRequest, version: int, decision: str) -> PrivacyRequest:
    """It is not done, with the reason that the person is told (GDPR, article 12(4))."""
    return _end(actor, request, version, RequestState.REFUSED, decision)


def request_withdraw(*, actor: Actor, request: PrivacyRequest, version: int, decision: str) -> PrivacyRequest:
    """The person does not want it any more."""
    return _end(actor, request, version, RequestState.WITHDRAWN, decision)


def _end(actor: Actor, request: PrivacyRequest, version: int, state: RequestState, decision: str) -> PrivacyRequest:
    with transaction.atomic():
        row = _held(actor, request, version)
        _close(actor, row, state, decision)
    return row


def request_carry_out(*, actor: Actor, request: PrivacyRequest, version: int, decision: str) -> PrivacyRequest:
    """Do what was asked and close the request: erase, restrict, lift; a copy must be handed over before, and a
    correction is made where it belongs. Raises ErasureStandsInTheWay, CopyNotFetched, AlreadyRestricted, NotRestricted;
    Forbidden where something of the person lies in a branch that the actor does not handle.
    """
    with transaction.atomic():
        row = _held(actor, request, version)
        check_move(REQUEST_MOVES, row.state, RequestState.DONE, of="The request")
        require_all_branches(actor, row.customer)
        counts = _do(actor, row)
        _close(actor, row, RequestState.DONE, decision, counts)
    return row


def _do(actor: Actor, request: PrivacyRequest) -> Mapping[str, int]:
    if request.kind == RequestKind.ERASURE:
        return person_erase(actor=actor, customer=request.customer, because="request")
    if request.kind == RequestKind.RESTRICTION:
        return {"correspondence_message": person_restrict(actor=actor, customer=request.customer)}
    if request.kind == RequestKind.LIFTING:
        person_unrestrict(actor=actor, customer=request.customer)
    if request.kind == RequestKind.ACCESS:
        files = AccessFile.objects.everywhere("of a request that the actor handles")
        if not files.filter(request=request).exclude(fetched_at=None).exists():
            raise CopyNotFetched("Prepare the copy, fetch it and hand it over first.", field="kind")
    return {}


def require_all_branches(actor: Actor, customer: Customer) -> None:
    """Raise Forbidden unless the actor handles requests wherever something of the person lies."""
    if any(not actor.may(PrivacyPermission.HANDLE, branch) for branch in person_of(customer).branches):
        raise Forbidden(
            "Something of this person lies in another branch: head office handles it.",
            permission=str(PrivacyPermission.HANDLE),
        )


def _held(actor: Actor, request: PrivacyRequest, version: int) -> PrivacyRequest:
    actor.require(PrivacyPermission.HANDLE, request.branch_id)
    rows = PrivacyRequest.objects.everywhere("by key, permission checked above")
    [row] = lock_rows(rows.filter(id=request.id).select_related("branch", "customer__branch"))
    if row.version != version:
        raise VersionMismatch(field="If-Match")
    return row


def _close(
    actor: Actor, row: PrivacyRequest, state: RequestState, decision: str, counts: Mapping[str, int] | None = None
) -> None:
    check_move(REQUEST_MOVES, row.state, state, of="The request")
    row.state, row.decision, row.closed_at = state, decision, clock.now()
    row.version += 1
    row.save(update_fields=["state", "decision", "closed_at", "version"])
    step_record(actor, row, str(state), decision, counts)
    event_record(events.REQUEST_CLOSED, row, actor)
