"""iCalendar (RFC 5545, with NAME and REFRESH-INTERVAL of RFC 7986): entries written as calendars.

Times are UTC, so no time zone has to be carried along. DTSTAMP is the moment of the last change (RFC 5545, 3.8.7.2:
what it means where no METHOD is given), so the same entries give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from django.conf import settings
from icalendar import Calendar, Event, vDuration, vText

PRODUCT = "-//opticshop//Calendars//EN"
MEDIA_TYPE = "text/calendar"
#: How often a program should ask again.
REFRESH = dt.timedelta(minutes=30)


@dataclass(frozen=True, slots=True)
class Entry:
    """One VEVENT. ``ends`` is not included, also where both are days. ``takes_time``: whether somebody is busy then."""

    id: str
    sequence: int
    changed_at: dt.datetime
    starts: dt.datetime | dt.date
    ends: dt.datetime | dt.date
    status: Literal["CONFIRMED", "TENTATIVE", "CANCELLED"]
    summary: str
    location: str = ""
    takes_time: bool = True


def one_line(text: str) -> str:
    """Single spaces and no control characters, which no text of RFC 5545 may hold (3.3.11)."""
    return " ".join("".join(c if unicodedata.category(c) != "Cc" else " " for c in text).split())


def tag_of(name: str, entries: Iterable[Entry]) -> str:
    """A strong ETag, without writing the calendar: it changes exactly when its bytes may."""
    mark = hashlib.sha256(f"{settings.OPTICSHOP_VERSION} {_domain()} {name}".encode())
    for entry in entries:
        mark.update(repr(entry).encode())
    return f'"{mark.hexdigest()[:32]}"'


def written(entries: Iterable[Entry], *, name: str = "") -> bytes:
    """The calendar. ``name`` is what a program may call it."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    if name:
        calendar.add("name", vText(one_line(name)))
        calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    for entry in entries:
        calendar.add_component(_event(entry))
    return calendar.to_ical()


def _event(entry: Entry) -> Event:
    event = Event()
    event.add("uid", f"{entry.id}@{_domain()}")
    event.add("dtstamp", entry.changed_at)
    event.add("last-modified", entry.changed_at)
    event.add("dtstart", entry.starts)
    event.add("dtend", entry.ends)
    event.add("sequence", entry.sequence)
    event.add("status", entry.status)
    event.add("summary", one_line(entry.summary))
    if entry.location:
        event.add("location", one_line(entry.location))
    event.add("class", "PRIVATE")
    if not entry.takes_time:
        event.add("transp", "TRANSPARENT")
    return event


def _domain() -> str:
    """The right of a UID: the host at which the service is known, where it is set."""
    host = urlsplit(settings.OPTICSHOP_PUBLIC_URL).hostname
    return host if host and host != "localhost" else "opticshop"
