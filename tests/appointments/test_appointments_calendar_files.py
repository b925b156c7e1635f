"""The bytes of a calendar against RFC 5545 and RFC 7986, and read back by the icalendar library."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from opticshop.appointments.calendar_files import Entry, one_line, tag_of, written
from opticshop.appointments.showing import person_mark
from opticshop.customers.models import Customer
from tests.appointments.conftest import LONDON
from tests.conftest import NOON

ID = "01890a5d-ac96-774b-bcce-b302099a8057"
HOUR = dt.timedelta(hours=1)


def entry(**more):
    plain = {
        "id": ID,
        "sequence": 0,
        "changed_at": NOON,
        "starts": NOON,
        "ends": NOON + HOUR,
        "status": "CONFIRMED",
        "summary": "Visit",
    }
    return Entry(**plain | more)


def test_the_calendar_has_what_rfc_5545_asks_for():
    """PRODID and VERSION once (3.6); UID, DTSTAMP in UTC, DTSTART (3.6.1); no METHOD, so nothing is an invitation
    (3.7.2); NAME and REFRESH-INTERVAL;VALUE=DURATION are of RFC 7986 (5.1, 5.7)."""
    lines = written([entry()], name="Front desk").decode().split("\r\n")
    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines[-2:] == ["END:VCALENDAR", ""]
    for once in (
        "VERSION:2.0",
        "PRODID:-//opticshop//Calendars//EN",
        "NAME:Front desk",
        "REFRESH-INTERVAL;VALUE=DURATION:PT30M",
        f"UID:{ID}@opticshop",
        "DTSTAMP:20260302T120000Z",
        "LAST-MODIFIED:20260302T120000Z",
        "DTSTART:20260302T120000Z",
        "DTEND:20260302T130000Z",
        "SEQUENCE:0",
        "STATUS:CONFIRMED",
        "CLASS:PRIVATE",
    ):
        assert lines.count(once) == 1, once
    assert not [line for line in lines if line.startswith(("METHOD", "X-", "TZID", "BEGIN:VTIMEZONE"))]


def test_days_are_dates_and_the_last_is_not_included():
    """RFC 5545, 3.6.1 and 3.8.2.2."""
    days = entry(starts=dt.date(2026, 3, 5), ends=dt.date(2026, 3, 6), takes_time=False)
    lines = written([days]).decode().split("\r\n")
    assert {"DTSTART;VALUE=DATE:20260305", "DTEND;VALUE=DATE:20260306", "TRANSP:TRANSPARENT"} <= set(lines)


@pytest.mark.parametrize(
    ("utc", "wall"),
    [
        ("2026-03-29T00:30", "00:30"),  # the hour before the clocks go forward
        ("2026-03-29T01:00", "02:00"),  # and after
        ("2026-10-25T00:30", "01:30"),  # summer time still
        ("2026-10-25T01:30", "01:30"),  # the same wall time an hour later
        ("2026-07-01T08:00", "09:00"),
    ],
)
def test_the_wall_time_is_right_on_the_days_on_which_the_clocks_change(utc, wall):
    """Summer time in London in 2026 runs from 29 March 01:00 UTC to 25 October 01:00 UTC (IANA tz)."""
    start = dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)
    [event] = Calendar.from_ical(written([entry(starts=start, ends=start + HOUR)])).walk("VEVENT")
    assert event["DTSTART"].dt.astimezone(LONDON).strftime("%H:%M") == wall
    assert event["DTEND"].dt - event["DTSTART"].dt == HOUR


def test_the_uid_has_the_public_host_where_there_is_one(settings):
    settings.OPTICSHOP_PUBLIC_URL = "https://shop.example.org:8443/"
    assert f"UID:{ID}@shop.example.org\r\n".encode() in written([entry()])


pieces = st.one_of(
    st.sampled_from([*",;:\\\n\r\t\"'^ ", "👓", "👩🏽\u200d🦯", "ł", "Ω", "\u2028", "\x85", "\x00"]),
    st.characters(exclude_categories=["Cs"]),
)
texts = st.lists(pieces, max_size=80).map("".join)


@given(summary=texts, location=texts, name=texts)
@settings(max_examples=150, deadline=None)
def test_any_text_is_escaped_folded_and_read_back(summary, location, name):
    """RFC 5545: lines end in CRLF and have at most 75 octets (3.1); in TEXT the backslash, semicolon, comma and line
    break are escaped (3.3.11) and control characters do not occur."""
    raw = written([entry(summary=summary, location=location)], name=name)
    assert raw.endswith(b"\r\n")
    lines = raw.split(b"\r\n")
    assert not [line for line in lines if len(line) > 75 or b"\n" in line or b"\r" in line]
    unfolded = raw.replace(b"\r\n ", b"").decode()
    assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", unfolded)
    for line in unfolded.split("\r\n"):
        if line.startswith(("SUMMARY:", "LOCATION:", "NAME:")):
            assert not re.search(r"(?<!\\)(\\\\)*[;,]", line.split(":", 1)[1])
    calendar = Calendar.from_ical(raw)
    [event] = calendar.walk("VEVENT")
    assert str(event["SUMMARY"]) == one_line(summary)
    assert str(event.get("LOCATION", "")) == one_line(location)


@given(given=texts, family=texts)
@settings(max_examples=100, deadline=None)
def test_a_name_is_never_whole(given, family):
    person = Customer(given_name=given, family_name=family)
    mark = person_mark(person)
    assert mark.endswith(person.id.hex[-6:].upper())
    assert len(mark) <= 6 + 1 + 2 * 3  # a capital may be of two letters, as that of ß is
    assert not re.search(r"[\r\n]", person_mark(person, given_name=True))


@given(st.data())
@settings(max_examples=50, deadline=None)
def test_the_tag_changes_with_whatever_is_shown(data):
    changes = {
        "sequence": 1,
        "status": "CANCELLED",
        "summary": "Fitting",
        "location": "Room 2",
        "ends": NOON + 2 * HOUR,
        "changed_at": NOON + HOUR,
    }
    name = data.draw(st.sampled_from(sorted(changes)))
    before, after = entry(), entry(**{name: changes[name]})
    assert (tag_of("x", [before]) == tag_of("x", [after])) is (before == after)
    assert tag_of("x", [before]) == tag_of("x", [entry()]) != tag_of("y", [before])
    assert written([before]) != written([after])
    assert written([before]) == written([entry()])
