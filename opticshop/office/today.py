"""Today at every branch, by each branch's own clock: a fixed number of queries, however many branches there are.

What somebody may not see at a branch is ``None`` there, never nought; sums leave it out.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.core.cache import cache
from django.db.models import Case, Count, DateField, Min, Q, QuerySet, Sum, When
from django.db.models.functions import TruncDate

from opticshop.alerts.causes import CAUSES
from opticshop.alerts.kinds import LIVE_STATES as LIVE_ALERTS
from opticshop.alerts.kinds import RANK, Severity
from opticshop.alerts.models import Alert
from opticshop.alerts.permissions import AlertPermission
from opticshop.alerts.selectors import alerts_visible_to, standings
from opticshop.appointments.hours import midnight
from opticshop.appointments.models import TAKES_TIME, Appointment
from opticshop.appointments.permissions import AppointmentPermission
from opticshop.billing.permissions import BillingPermission
from opticshop.billing.selectors import held_deposits_visible_to
from opticshop.branches.models import Branch
from opticshop.core import acting, clock
from opticshop.core.actor import ALL, Actor
from opticshop.orders.models import Order, OrderState
from opticshop.orders.permissions import OrderPermission
from opticshop.workshop.models import Job
from opticshop.workshop.permissions import WorkshopPermission
from opticshop.workshop.selectors import LIVE_STATES

from .doors import branches_with

#: How many days the curves of orders go back, today included (our choice, no source: two weeks, so weekdays compare).
CURVE_DAYS = 14
#: How many alerts the page tells; the list has the others.
TOLD = 6
A_WEEK = dt.timedelta(days=7)
#: How many branches stand on one page (our choice, no source).
AT_ONCE = 25
#: In which orders the branches may stand -> how it reads.
ORDERS_OF_BRANCHES = {"code": "Code", "need": "Most to see to", "orders": "Most orders"}
#: How long figures are kept for those who see the same, in seconds (our choice, no source).
KEPT_SECONDS = 15
ORDERS, JOBS, MONEY = OrderPermission.VIEW, WorkshopPermission.VIEW, BillingPermission.VIEW
ALERTS, APPOINTMENTS = AlertPermission.VIEW, AppointmentPermission.VIEW
#: Who may see something of a branch's day.
SHOWN = (ORDERS, JOBS, MONEY, ALERTS, APPOINTMENTS)


@dataclass(slots=True)
class BranchDay:
    """One branch's day. ``curve`` is the orders of each of the last ``CURVE_DAYS`` days, oldest first.

    ``..._before`` is of the same weekday a week ago: orders until the same time of day, so that a day that is not over
    is compared with as much of another; appointments of the whole day.
    """

    id: uuid.UUID
    code: str
    name: str
    day: dt.date
    currency: str
    orders: int | None = None
    orders_before: int | None = None
    order_value: Decimal | None = None
    order_value_before: Decimal | None = None
    curve: list[int] = field(default_factory=list)
    uncollected: int | None = None
    uncollected_since: dt.date | None = None
    jobs_due: int | None = None
    jobs_overdue: int | None = None
    deposits: Decimal | None = None
    appointments: int | None = None
    appointments_before: int | None = None
    alerts: int | None = None
    urgent: int | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """An alert as the page tells it. ``owner`` is a person or the role that sees to it."""

    severity: str
    severity_words: str
    title: str
    number: str
    branch: str
    owner: str
    is_taken_up: bool
    since: dt.datetime
    age: str
    words: str
    action: str
    link: str


@dataclass(frozen=True, slots=True)
class Today:
    branches: Sequence[BranchDay]
    made_at: dt.datetime

    def total(self, name: str) -> int | None:
        """The sum of a figure over the branches where it may be seen; None where it may be seen nowhere."""
        seen = [value for each in self.branches if (value := getattr(each, name)) is not None]
        return sum(seen) if seen else None

    def money(self, name: str) -> dict[str, Decimal]:
        """The same of an amount, by currency: currencies are never added together."""
        sums: dict[str, Decimal] = {}
        for each in self.branches:
            value = getattr(each, name)
            if value is not None:
                sums[each.currency] = sums.get(each.currency, Decimal(0)) + value
        return dict(sorted(sums.items()))

    def days(self) -> list[tuple[dt.date, int]]:
        """Orders of all branches by day, oldest first, where they may be seen."""
        sums: dict[dt.date, int] = defaultdict(int)
        for each in self.branches:
            for back, count in enumerate(reversed(each.curve)):
                sums[each.day - dt.timedelta(days=back)] += count
        return sorted(sums.items())[-CURVE_DAYS:]


@dataclass(frozen=True, slots=True)
class Shown:
    """One page of branches. ``page`` counts from 1."""

    branches: Sequence[BranchDay]
    order: str
    find: str
    page: int
    pages: int
    found: int


def shown_of(found: Today, *, order: str, find: str, page: str) -> Shown:
    """A page of the branches whose code or name holds ``find``; what cannot be asked is the nearest that can."""
    order = order if order in ORDERS_OF_BRANCHES else "code"
    wanted = find.casefold()
    rows = [each for each in found.branches if wanted in f"{each.code} {each.name}".casefold()]
    if order == "need":
        rows.sort(key=lambda each: (-(each.urgent or 0), -(each.jobs_overdue or 0), -(each.alerts or 0), each.code))
    elif order == "orders":
        rows.sort(key=lambda each: (-(each.orders or 0), each.code))
    pages = max(1, -(-len(rows) // AT_ONCE))
    at = min(pages, max(1, int(page))) if page.isascii() and page.isdigit() and len(page) < 6 else 1
    return Shown(rows[(at - 1) * AT_ONCE : at * AT_ONCE], order, find, at, pages, len(rows))


def today_for(actor: Actor) -> Today:
    """Kept for ``KEPT_SECONDS`` for those who see the same."""
    key = f"office.today.{_sight_of(actor)}"
    found: Today | None = cache.get(key)
    if found is None:
        found = today(actor)
        cache.set(key, found, KEPT_SECONDS)
    return found


def today(actor: Actor) -> Today:
    """Read now: one query for each kind of figure, and one for the branches."""
    branches = branches_with(actor, SHOWN)
    rows = {
        each.id: BranchDay(each.id, each.code, each.name, clock.today(each.time_zone), each.currency)
        for each in branches
    }
    zones = sorted({each.time_zone for each in branches})
    if rows:
        _orders(actor, rows, branches, zones)
        _jobs(actor, rows)
        _deposits(actor, rows)
        _appointments(actor, rows, zones)
        _alerts(actor, rows)
    return Today(list(rows.values()), clock.now())


def _orders(actor: Actor, rows: dict[uuid.UUID, BranchDay], branches: Iterable[Branch], zones: Sequence[str]) -> None:
    zone_of = {each.id: each.time_zone for each in branches}
    for seen in _seen(actor, ORDERS, rows):
        seen.orders, seen.order_value, seen.uncollected = 0, Decimal(0), 0
        seen.orders_before, seen.order_value_before = 0, Decimal(0)
        seen.curve = [0] * CURVE_DAYS
    orders: QuerySet[Any] = Order.objects.visible_to(actor, ORDERS).order_by()
    recent = by_this_time = Q(pk__in=[])
    for zone in zones:
        recent |= Q(
            branch__time_zone=zone, placed_at__gte=midnight(clock.today(zone) - dt.timedelta(days=CURVE_DAYS - 1), zone)
        )
        by_this_time |= Q(branch__time_zone=zone, placed_at__lte=_a_week_ago(zone))
    by_day = Case(
        *(When(branch__time_zone=zone, then=TruncDate("placed_at", tzinfo=ZoneInfo(zone))) for zone in zones),
        output_field=DateField(),
    )
    counted = orders.filter(recent).exclude(state=OrderState.CANCELLED).annotate(on=by_day)
    for each in counted.values("branch_id", "on", "currency").annotate(
        n=Count("id"),
        value=Sum("total"),
        n_by_then=Count("id", filter=by_this_time),
        value_by_then=Sum("total", filter=by_this_time),
    ):
        row = rows.get(each["branch_id"])
        if row is None:
            continue
        back = (clock.today(zone_of[row.id]) - each["on"]).days
        if 0 <= back < CURVE_DAYS:
            row.curve[CURVE_DAYS - 1 - back] += each["n"]
        if back == 0:
            row.orders = (row.orders or 0) + each["n"]
            if each["currency"] == row.currency:
                row.order_value = (row.order_value or Decimal(0)) + each["value"]
        elif back == A_WEEK.days:
            row.orders_before = (row.orders_before or 0) + each["n_by_then"]
            if each["currency"] == row.currency:
                row.order_value_before = (row.order_value_before or Decimal(0)) + (each["value_by_then"] or 0)
    waiting = orders.filter(state=OrderState.READY).values("branch_id").annotate(n=Count("id"), oldest=Min("ready_at"))
    for each in waiting:
        if (row := rows.get(each["branch_id"])) is not None:
            row.uncollected = each["n"]
            row.uncollected_since = each["oldest"] and each["oldest"].astimezone(ZoneInfo(zone_of[row.id])).date()


def _jobs(actor: Actor, rows: dict[uuid.UUID, BranchDay]) -> None:
    for seen in _seen(actor, JOBS, rows):
        seen.jobs_due = seen.jobs_overdue = 0
    jobs: QuerySet[Any] = Job.objects.visible_to(actor, JOBS).filter(state__in=LIVE_STATES).order_by()
    latest = max(row.day for row in rows.values())
    for each in jobs.filter(promised_on__lte=latest).values("branch_id", "promised_on").annotate(n=Count("id")):
        row = rows.get(each["branch_id"])
        if row is None:
            continue
        if each["promised_on"] == row.day:
            row.jobs_due = (row.jobs_due or 0) + each["n"]
        elif each["promised_on"] < row.day:
            row.jobs_overdue = (row.jobs_overdue or 0) + each["n"]


def _deposits(actor: Actor, rows: dict[uuid.UUID, BranchDay]) -> None:
    for seen in _seen(actor, MONEY, rows):
        seen.deposits = Decimal(0)
    held: QuerySet[Any] = held_deposits_visible_to(actor).select_related(None).order_by()
    for each in held.values("branch_id", "currency").annotate(held=Sum("amount")):
        row = rows.get(each["branch_id"])
        if row is not None and each["currency"] == row.currency:
            row.deposits = (row.deposits or Decimal(0)) + each["held"]


def _appointments(actor: Actor, rows: dict[uuid.UUID, BranchDay], zones: Sequence[str]) -> None:
    for seen in _seen(actor, APPOINTMENTS, rows):
        seen.appointments = seen.appointments_before = 0
    of_today = of_then = Q(pk__in=[])
    for zone in zones:
        of_today |= _on(clock.today(zone), zone)
        of_then |= _on(clock.today(zone) - A_WEEK, zone)
    booked: QuerySet[Any] = Appointment.objects.visible_to(actor, APPOINTMENTS).filter(of_today | of_then).order_by()
    counted = booked.filter(state__in=TAKES_TIME).values("branch_id")
    for each in counted.annotate(n=Count("id", filter=of_today), n_then=Count("id", filter=of_then)):
        if (row := rows.get(each["branch_id"])) is not None:
            row.appointments, row.appointments_before = each["n"], each["n_then"]


def _on(day: dt.date, zone: str) -> Q:
    start, end = midnight(day, zone), midnight(day + dt.timedelta(days=1), zone)
    return Q(branch__time_zone=zone, starts_at__gte=start, starts_at__lt=end)


def _a_week_ago(zone: str) -> dt.datetime:
    """The same time of day by the clocks of a zone, a week ago."""
    local = clock.now().astimezone(ZoneInfo(zone))
    return dt.datetime.combine(local.date() - A_WEEK, local.time(), ZoneInfo(zone))


def _alerts(actor: Actor, rows: dict[uuid.UUID, BranchDay]) -> None:
    for seen in _seen(actor, ALERTS, rows):
        seen.alerts = seen.urgent = 0
    for each in standings(alerts_visible_to(actor)):
        if (row := rows.get(each.branch)) is not None:
            row.alerts = (row.alerts or 0) + each.open + each.acknowledged
            row.urgent = (row.urgent or 0) + each.by_severity.get(Severity.URGENT, 0)


def alerts_told(actor: Actor, *, most: int, branch: str = "") -> list[Told]:
    """Live alerts, the most severe first, then the oldest; of one branch where its code is given. One query.

    They are written down as read, as in the API.
    """
    now = clock.now()
    severity = Case(*(When(severity=name, then=rank) for name, rank in RANK.items()))
    live = alerts_visible_to(actor).filter(state__in=LIVE_ALERTS).annotate(rank=severity)
    if branch:
        live = live.filter(branch__code=branch)
    rows = list(live.order_by("-rank", "since", "id")[:most])
    acting.saw(Alert, rows)
    return [
        Told(
            severity=each.severity,
            severity_words=str(Severity(each.severity).label),
            title=cause.title if cause else each.cause,
            number=each.number,
            branch=each.branch.code,
            owner=str(each.owner) if each.owner else each.owner_role.replace("_", " "),
            is_taken_up=each.acknowledged_at is not None,
            since=each.since,
            age=age_words(now - each.since),
            words=cause.words(each.number, each.facts) if cause else "",
            action=cause.action if cause else "",
            link=each.link,
        )
        for each in rows
        for cause in [CAUSES.get(each.cause)]
    ]


def age_words(age: dt.timedelta) -> str:
    """Whole days, hours or minutes, the largest that fits."""
    seconds = max(0, int(age.total_seconds()))
    for length, word in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= length:
            count = seconds // length
            return f"{count} {word}{'' if count == 1 else 's'}"
    return "just now"


def _seen(actor: Actor, permission: str, rows: Mapping[uuid.UUID, BranchDay]) -> list[BranchDay]:
    where = actor.where(permission)
    return [row for row in rows.values() if where is ALL or row.id in where]


def _sight_of(actor: Actor) -> str:
    """The same text for actors who see the same, whatever their names."""
    # What an alert is about may need any view permission, so all that is held counts.
    held = sorted(
        f"{name}={'all' if where is ALL else ','.join(sorted(map(str, where)))}" for name, where in actor.grants.items()
    )
    return hashlib.sha256(";".join(held).encode()).hexdigest()
