"""Reads of requests, of who was set apart, and of how long records are kept."""

from __future__ import annotations

import datetime as dt
import uuid

from django.db.models import QuerySet

from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.customers.models import Customer

from .models import KeptIdentity, PrivacyRequest, RequestState, RetentionPeriod, RetentionRun
from .permissions import PrivacyPermission

#: So long before its day a request is said to be due soon.
SOON = dt.timedelta(days=7)


def requests_visible_to(actor: Actor) -> BranchQuerySet[PrivacyRequest]:
    """With all that a request is shown with: its file without the bytes, and its steps."""
    visible = PrivacyRequest.objects.visible_to(actor, PrivacyPermission.VIEW)
    return visible.select_related("branch", "file").defer("file__content").prefetch_related("steps")


def due_soon(requests: BranchQuerySet[PrivacyRequest]) -> BranchQuerySet[PrivacyRequest]:
    """Open requests that are due within SOON, or over."""
    return requests.filter(state=RequestState.OPEN, due_on__lte=clock.now().date() + SOON)


def is_due_soon(request: PrivacyRequest) -> bool:
    return request.state == RequestState.OPEN and request.due_on <= clock.now().date() + SOON


def customer_for_request(actor: Actor, customer_id: uuid.UUID, *, field: str = "customer") -> Customer:
    """A customer for whom the actor may take a request: restricted ones too, erased ones not."""
    visible = Customer.objects.visible_to(actor, PrivacyPermission.HANDLE).filter(erased_at=None)
    found = visible.select_related("branch", "guardian", "merged_into").filter(id=customer_id).first()
    if found is None:
        raise NotFound(f"There is no customer {customer_id} here.", field=field)
    return found


def identities_visible_to(actor: Actor) -> BranchQuerySet[KeptIdentity]:
    return KeptIdentity.objects.visible_to(actor, PrivacyPermission.HANDLE).select_related("customer")


def periods_visible_to(actor: Actor) -> QuerySet[RetentionPeriod]:
    periods = RetentionPeriod.objects.all()
    return periods if actor.may(PrivacyPermission.VIEW) else periods.none()


def runs_visible_to(actor: Actor) -> QuerySet[RetentionRun]:
    """They span the branches, so a permission that holds in some of them shows nothing."""
    runs = RetentionRun.objects.all()
    return runs if actor.where(PrivacyPermission.HANDLE) is ALL else runs.none()
