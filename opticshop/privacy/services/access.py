"""The copy of an access request: queued by a person, made by a duty, fetched by who handles it, gone after a while."""

from __future__ import annotations

import datetime as dt
import hashlib
import logging

from django.db import transaction

from opticshop.audit.services import note
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict
from opticshop.core.locks import lock_rows
from opticshop.core.states import check_move

from ..access_zip import access_zip
from ..models import REQUEST_MOVES, AccessFile, PrivacyRequest, RequestKind, RequestState, StepKind
from ..permissions import PrivacyPermission
from ..persons import person_of
from .erasing import SYSTEM
from .requests import require_all_branches
from .steps import step_record

log = logging.getLogger("opticshop.privacy")
State = AccessFile.State
#: How long the copy lies ready (our choice, no source).
KEPT_FOR = dt.timedelta(days=14)
MOST_ATTEMPTS = 3


class NoCopyOfThis(Conflict):
    """A copy is made for an open request for access only."""

    code = "privacy.no_copy_of_this"
    title = "There is no copy to be made"


class CopyNotReady(Conflict):
    """The copy is being made, could not be made, or its time is over; prepare it again."""

    code = "privacy.copy_not_ready"
    title = "The copy is not ready"


def copy_prepare(*, actor: Actor, request: PrivacyRequest) -> PrivacyRequest:
    """Have the copy made, or made again. While one is being made or lies ready nothing changes. Raises NoCopyOfThis."""
    actor.require(PrivacyPermission.HANDLE, request.branch_id)
    if request.kind != RequestKind.ACCESS:
        raise NoCopyOfThis(f"It is a request for {request.kind}.", field="kind", allowed=[RequestKind.ACCESS])
    check_move(REQUEST_MOVES, request.state, RequestState.DONE, of="The request")
    require_all_branches(actor, request.customer)
    with transaction.atomic():
        rows = PrivacyRequest.objects.everywhere("by key, permission checked above")
        lock_rows(rows.filter(id=request.id))
        files = AccessFile.objects.everywhere("of one request, permission checked above")
        file, made = files.get_or_create(request=request)
        if not made and file.state not in (State.FAILED, State.EXPIRED):
            return request
        files.filter(id=file.id).update(state=State.QUEUED, attempts=0, last_error="")
        step_record(actor, request, StepKind.PREPARED)
    return request


def copies_make_due() -> int:
    """Make what is queued, one after the other. Two at once do no harm: the first that is done counts."""
    files = AccessFile.objects.everywhere("all that is queued")
    made = 0
    for file in list(files.filter(state=State.QUEUED).select_related("request__customer").order_by("id")[:20]):
        try:
            made += _make(file)
        except Exception as error:
            log.exception("the copy for request %s could not be made", file.request_id)
            _put_off(file, error)
    return made


def _make(file: AccessFile) -> int:
    content = access_zip(person_of(file.request.customer))
    now = clock.now()
    ready = {
        "state": State.READY,
        "content": content,
        "size": len(content),
        "sha256": hashlib.sha256(content).hexdigest(),
        "made_at": now,
        "expires_at": now + KEPT_FOR,
        "fetched_at": None,
        "last_error": "",
    }
    files = AccessFile.objects.everywhere("one that is queued")
    with transaction.atomic():
        changed = files.filter(id=file.id, state=State.QUEUED, request__state=RequestState.OPEN).update(**ready)
        if changed:
            step_record(SYSTEM, file.request, StepKind.MADE, f"{len(content)} bytes, SHA-256 {ready['sha256']}")
        else:
            files.filter(id=file.id, state=State.QUEUED).update(state=State.EXPIRED)
    return changed


def _put_off(file: AccessFile, error: Exception) -> None:
    """Try again; in the end say that it cannot be made. What went wrong may hold data, so only its kind is kept."""
    attempts = file.attempts + 1
    state = State.FAILED if attempts >= MOST_ATTEMPTS else State.QUEUED
    files = AccessFile.objects.everywhere("one that is queued")
    with transaction.atomic():
        files.filter(id=file.id, state=State.QUEUED).update(
            attempts=attempts, state=state, last_error=type(error).__name__[:300]
        )
        if state == State.FAILED:
            step_record(SYSTEM, file.request, StepKind.FAILED, type(error).__name__)


def copy_fetch(*, actor: Actor, request: PrivacyRequest) -> AccessFile:
    """The copy with its bytes; that it was fetched, and by whom, is a step and an entry of the trail.

    Raises CopyNotReady; Forbidden where something of the person lies in a branch that the actor does not handle.
    """
    actor.require(PrivacyPermission.HANDLE, request.branch_id)
    require_all_branches(actor, request.customer)
    files = AccessFile.objects.everywhere("of one request, permission checked above")
    now = clock.now()
    with transaction.atomic():
        file = files.filter(request=request).first()
        if file is None or file.state != State.READY or file.expires_at is None or file.expires_at <= now:
            raise CopyNotReady(f"It is {file.state}." if file else "It was not prepared.", field="file")
        files.filter(id=file.id, fetched_at=None).update(fetched_at=now)
        step_record(actor, request, StepKind.FETCHED)
        note(
            action="export",
            table=AccessFile._meta.db_table,
            row_id=str(file.id),
            customer_id=request.customer_id,
            branch_id=request.branch_id,
        )
    return file


def copies_expire() -> int:
    """Let go of copies whose time is over."""
    files = AccessFile.objects.everywhere("all whose time is over")
    gone = 0
    for file in files.filter(state=State.READY, expires_at__lte=clock.now()).defer("content").select_related("request"):
        with transaction.atomic():
            changed = files.filter(id=file.id, state=State.READY).update(state=State.EXPIRED, content=None)
            if changed:
                step_record(SYSTEM, file.request, StepKind.EXPIRED)
        gone += changed
    return gone
