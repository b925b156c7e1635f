"""Reads of appointments and feeds, limited to the branches in which the actor may see them."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

from django.db.models import Exists, Max, OuterRef, Q, QuerySet

from opticshop.accounts.models import Membership, User
from opticshop.branches.calendars import calendar_of
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.core.scoping import BranchQuerySet
from opticshop.core.sealing import digest
from opticshop.customers.contacting import identities
from opticshop.customers.models import Customer
from opticshop.orders.models import Order, OrderState
from opticshop.orders.selectors import TO_BE_MADE

from . import hours
from .hours import Span
from .models import TAKES_TIME, Appointment, CalendarFeed
from .permissions import AppointmentPermission

What = CalendarFeed.What


def appointments_visible_to(actor: Actor) -> BranchQuerySet[Appointment]:
    rows = Appointment.objects.visible_to(actor, AppointmentPermission.VIEW)
    return rows.select_related("branch", "customer", "seen_by", "order")


def appointment_get_for(actor: Actor, appointment_id: uuid.UUID) -> Appointment:
    found = appointments_visible_to(actor).filter(id=appointment_id).first()
    if found is None:
        raise NotFound(f"There is no appointment {appointment_id} here.", field="appointment")
    return found


def workers_of(branch: Branch) -> QuerySet[User]:
    """The people who hold a role at the branch, or one that holds everywhere."""
    at_home = Membership.objects.filter(Q(branch=branch) | Q(branch=None), user=OuterRef("pk"))
    return User.objects.filter(Exists(at_home), is_active=True, kind=User.Kind.PERSON)


def busy(
    *, customer_id: uuid.UUID | None, person_id: uuid.UUID | None, window: Span, besides: Appointment | None = None
) -> list[Span]:
    """When the customer, or who sees them, has an appointment already, in any branch. Empty where neither is named."""
    whose = Q(pk__in=())
    if customer_id is not None:
        whose |= Q(customer_id__in=identities(customer_id))
    if person_id is not None:
        whose |= Q(seen_by_id=person_id)
    rows = Appointment.objects.everywhere("nobody is in two places at once").filter(
        whose,
        state__in=TAKES_TIME,
        starts_at__lt=window.ends_at,
        starts_at__gt=window.starts_at - hours.LONGEST,
        ends_at__gt=window.starts_at,
    )
    others = rows if besides is None else rows.exclude(id=besides.id)
    return [Span(*times) for times in others.values_list("starts_at", "ends_at")]


def free_stretches(
    branch: Branch, first: dt.date, last: dt.date, *, customer: Customer | None = None, person: User | None = None
) -> list[Span]:
    """What is left of the opening hours of the days: for the customer and for who sees them, where they are named."""
    window = Span(
        hours.midnight(first, branch.time_zone), hours.midnight(last + dt.timedelta(days=1), branch.time_zone)
    )
    taken = busy(customer_id=customer.id if customer else None, person_id=person.id if person else None, window=window)
    return list(hours.stretches(calendar_of(branch), first, last, taken, after=clock.now()))


def feeds_visible_to(actor: Actor) -> BranchQuerySet[CalendarFeed]:
    """All feeds of the branches whose feeds the actor may share, and everywhere their own."""
    share = actor.where(AppointmentPermission.SHARE_FEED)
    rows = CalendarFeed.objects.visible_to(actor, AppointmentPermission.VIEW).select_related("person")
    return rows if share is ALL else rows.filter(Q(branch__in=share) | Q(person_id=actor.id))


def feed_of_token(token: str) -> CalendarFeed | None:
    """The feed, by one look-up of the hash: unknown, revoked and of somebody who has left all answer None alike."""
    works = Membership.objects.filter(
        Q(branch=OuterRef("branch")) | Q(branch=None), user=OuterRef("person"), user__is_active=True
    )
    rows = CalendarFeed.objects.everywhere("the token admits").filter(token_hash=digest(token), revoked_at=None)
    return rows.filter(Q(person=None) | Exists(works)).select_related("branch").first()


def feed_appointments(feed: CalendarFeed, window: Span, cancelled_since: dt.datetime) -> BranchQuerySet[Appointment]:
    """The appointments of a feed within a window; what was called off before a moment is left out."""
    rows = Appointment.objects.everywhere("the token of the feed admits").filter(
        ~Q(state=Appointment.State.CANCELLED) | Q(changed_at__gte=cancelled_since),
        branch=feed.branch,
        starts_at__gte=window.starts_at,
        starts_at__lt=window.ends_at,
    )
    if feed.what == What.PERSON:
        rows = rows.filter(seen_by_id=feed.person_id)
    elif feed.what == What.COLLECTIONS:
        rows = rows.filter(kind=Appointment.Kind.COLLECTION)
    return rows.select_related("customer", "order").order_by("starts_at", "id")


def feed_orders(feed: CalendarFeed, window: Span) -> QuerySet[Any]:
    """Orders that are promised, or ready and uncollected, and for whose collection no time is booked; each with
    ``last_promise_at``."""
    zone = feed.branch.time_zone
    first, last = hours.day_of(window.starts_at, zone), hours.day_of(window.ends_at, zone)
    booked = Appointment.objects.everywhere("as below").filter(order=OuterRef("pk"), state=Appointment.State.BOOKED)
    rows = Order.objects.everywhere("the token of the feed admits").filter(branch=feed.branch)
    promised = Q(state__in=TO_BE_MADE, promised_on__gte=first, promised_on__lt=last)
    waiting = Q(state=OrderState.READY) & (Q(ready_at__gte=window.starts_at) | Q(promised_on__gte=first))
    rows = rows.filter(promised | waiting).exclude(Exists(booked))
    return rows.select_related("customer").annotate(last_promise_at=Max("promises__made_at")).order_by("id")
