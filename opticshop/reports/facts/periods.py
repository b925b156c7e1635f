"""From which day on there is anything to count of a branch."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.db.models import Min

from opticshop.billing.models import Supply
from opticshop.branches.models import Branch
from opticshop.ledger.models import Entry
from opticshop.orders.models import Order, Quotation
from opticshop.quality.models import Handover
from opticshop.workshop.models import Job

from .building import WHY

#: What facts are counted from, with the column of its day or instant; further rows of a pair are later than its order.
_FIRST = (
    (Order, "placed_at"),
    (Quotation, "quoted_on"),
    (Supply, "supplied_on"),
    (Entry, "booked_on"),
    (Job, "finished_at"),
    (Handover, "handed_over_at"),
)


def first_day_of(branch: Branch) -> dt.date | None:
    """The first day on record by the calendar of the branch; None where there is nothing yet. Six queries."""
    found = []
    for model, column in _FIRST:
        rows = model.objects.everywhere(WHY).filter(branch=branch)
        first = rows.aggregate(first=Min(column))["first"]
        if isinstance(first, dt.datetime):
            first = first.astimezone(ZoneInfo(branch.time_zone)).date()
        if first is not None:
            found.append(first)
    return min(found, default=None)
