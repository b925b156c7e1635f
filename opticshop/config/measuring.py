"""What is counted from rows for the metrics: the cheap figures at each scrape, the dear ones by a duty.

Cheap is what a partial index answers whatever the size of the table: what is due. Everything that has to read whole
tables is counted every few minutes into one row (``core.Measurement``), and a scrape reads that row.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.db import connection
from django.db.models import Count, Min

from opticshop.branches.models import Branch
from opticshop.core import clock, partitions
from opticshop.core.actor import system
from opticshop.core.duties import all_duties
from opticshop.core.models import DutyRun, EventDelivery, Measurement
from opticshop.correspondence.models import Message
from opticshop.integrations.models import WebhookDelivery
from opticshop.reminders.figures import recall_figures

#: Rows that wait are counted up to here; more is shown as this.
MOST_COUNTED = 50_000
WHOLE_TABLES = "whole_tables"
RECALLS_OF_DAYS = 365
#: A duty that has not succeeded for so many intervals (and a minute) is late.
LATE_AFTER_INTERVALS = 3
LATE_AFTER_AT_LEAST = dt.timedelta(minutes=2)


def age(moment: dt.datetime | None) -> float:
    """Seconds since a moment; 0 without one, or when it is yet to come."""
    return max(0.0, (clock.now() - moment).total_seconds()) if moment else 0.0


def events_waiting() -> tuple[float, int]:
    """Age in seconds of the oldest delivery of an event that is due, and how many are due."""
    due = EventDelivery.objects.filter(state="pending", due_at__lte=clock.now()).order_by("due_at", "id")
    oldest = due.values_list("due_at", flat=True).first()
    return age(oldest), due[:MOST_COUNTED].count() if oldest else 0


def messages_waiting() -> list[tuple[str, str, float, int]]:
    """By queue and channel: age of the oldest message that is due, and how many are due.

    The queue is ``messages``, or ``letters`` for what waits until a person posts a batch.
    """
    rows = Message.objects.everywhere("figures for the operator, no person in them")
    due = rows.filter(state="queued", due_at__lte=clock.now()).order_by("due_at", "id")
    found: dict[tuple[str, str], tuple[float, int]] = {}
    for awaits_batch, channel, due_at in due.values_list("awaits_batch", "channel", "due_at")[:MOST_COUNTED]:
        key = ("letters" if awaits_batch else "messages", channel)
        oldest, count = found.get(key, (age(due_at), 0))
        found[key] = (oldest, count + 1)
    return [(*key, *figures) for key, figures in sorted(found.items())]


def webhooks_waiting() -> tuple[float, int]:
    """Age of the oldest webhook delivery that waits, and how many wait. What is withheld by a pause counts too."""
    rows = WebhookDelivery.objects.everywhere("figures for the operator").filter(state="pending")
    found = rows.order_by()[:MOST_COUNTED].aggregate(oldest=Min("created_at"), count=Count("id"))
    return age(found["oldest"]), found["count"]


def duty_runs() -> list[dict[str, Any]]:
    """Each duty with its last runs, over its places; and whether it is late."""
    found: dict[str, list[DutyRun]] = {}
    for row in DutyRun.objects.all():
        found.setdefault(row.name, []).append(row)
    runs = []
    for each in all_duties():
        rows = found.get(each.name, [])
        latest = max(rows, key=lambda row: _or_never(row.last_finished_at), default=None)
        succeeded = max((row.last_succeeded_at for row in rows if row.last_succeeded_at), default=None)
        patience = max(LATE_AFTER_AT_LEAST, LATE_AFTER_INTERVALS * dt.timedelta(seconds=each.every_seconds))
        runs.append(
            {
                "duty": each,
                "succeeded_at": succeeded,
                "started_at": max((row.last_started_at for row in rows if row.last_started_at), default=None),
                "running": any(row.leased_until and row.leased_until > clock.now() for row in rows),
                "handled": latest.handled if latest else 0,
                "error": latest.last_error if latest else "",
                "runs": sum(row.runs for row in rows),
                "failures": sum(row.failures for row in rows),
                "late": succeeded is None or clock.now() - succeeded > patience,
            }
        )
    return runs


def late_duties() -> list[str]:
    return [run["duty"].name for run in duty_runs() if run["late"]]


def whole_tables() -> dict[str, Any]:
    """The dear figures as they were last counted; empty before the first time."""
    row = Measurement.objects.filter(name=WHOLE_TABLES).first()
    return {**row.figures, "taken_at": row.taken_at} if row else {}


def measure() -> int:
    """Count what needs whole tables and keep it."""
    messages = Message.objects.everywhere("figures for the operator, no person in them").order_by()
    figures = {
        "messages": _rows(messages.values_list("branch__code", "channel", "kind", "state").annotate(count=Count("id"))),
        "dead_events": _rows(
            EventDelivery.objects.filter(state="dead").order_by().values_list("handler").annotate(count=Count("id"))
        ),
        "dead_webhooks": WebhookDelivery.objects.everywhere("figures for the operator").filter(state="dead").count(),
        "recalls": _recalls(),
        "partitions": [[table.table, partitions.months_ahead(table)] for table in _kept_by_months()],
    }
    Measurement.objects.update_or_create(name=WHOLE_TABLES, defaults={"taken_at": clock.now(), "figures": figures})
    return 1


def _kept_by_months() -> list[partitions.Partitioned]:
    return [table for table in partitions.declared() if partitions.partitions_of(table.table)]


def database_connections() -> dict[str, int]:
    """How many connections the server has and how many it gives out, by all who use it; empty on SQLite."""
    if connection.vendor != "postgresql":
        return {}
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*), count(*) FILTER (WHERE state = 'active'), "
            "count(*) FILTER (WHERE state LIKE 'idle in transaction%%'), "
            "current_setting('max_connections')::int - current_setting('superuser_reserved_connections')::int "
            "FROM pg_stat_activity WHERE backend_type = 'client backend'"
        )
        return dict(zip(("open", "active", "idle_in_transaction", "most"), cursor.fetchone(), strict=True))


def _recalls() -> list[list[Any]]:
    """Branch, policy, and of the recalls due in the last year: due, told, and returned within the window."""
    today = clock.now().date()
    found = recall_figures(system("metrics"), None, today - dt.timedelta(days=RECALLS_OF_DAYS), today).returns
    codes = dict(Branch.objects.values_list("id", "code"))
    return [[codes[each.branch], each.policy, each.due, each.told, each.returned] for each in found]


def _rows(found: Iterable[tuple[Any, ...]]) -> list[list[Any]]:
    return [list(row) for row in sorted(found)]


def _or_never(moment: dt.datetime | None) -> dt.datetime:
    return moment or dt.datetime.min.replace(tzinfo=dt.UTC)
