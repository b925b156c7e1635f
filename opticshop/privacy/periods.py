"""How long records are kept: the rows of the group before what we start from, the place before "*"."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from .models import RetentionPeriod
from .rules import Period, RecordKind, policy

ANYWHERE = "*"


def periods_at(jurisdiction: str, on: dt.date) -> Mapping[RecordKind, Period]:
    """What holds on that day in that place, by kind. One query.

    Of several the group's own for the place is taken, then ours for it, then the group's for anywhere, then ours.
    """
    found: dict[RecordKind, Period] = {}
    own: dict[tuple[str, RecordKind], Period] = {}
    rows = RetentionPeriod.objects.filter(jurisdiction__in=[jurisdiction, ANYWHERE], valid_from__lte=on)
    starts = {(each.kind, each.jurisdiction): each for each in policy().periods}
    for row in rows.order_by("valid_from"):
        kind = RecordKind(row.kind)
        known = starts.get((kind, row.jurisdiction)) or starts.get((kind, ANYWHERE))
        own[row.jurisdiction, kind] = Period(
            kind=kind,
            jurisdiction=row.jurisdiction,
            years=row.years,
            source=row.source,
            confidence=row.confidence,
            to_age=row.to_age,
            of_each_row=known is not None and known.of_each_row,
        )
    for kind in RecordKind:
        for place in (jurisdiction, ANYWHERE):
            chosen = own.get((place, kind)) or starts.get((kind, place))
            if chosen is not None:
                found[kind] = chosen
                break
    return found
