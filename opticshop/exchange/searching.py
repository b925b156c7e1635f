"""Search by FHIR's rules: each parameter is a row of a table, which the CapabilityStatement is written from too.

Unknown parameters are left out of the search, of the self link, and told of in the answer, or refused under
``Prefer: handling=strict``. A modifier that we do not know is always refused, as the specification demands.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.db.models import Q
from django.http import QueryDict

from opticshop.core.errors import DomainError
from opticshop.core.text import folded

from . import selectors
from .issues import Issue
from .models import OutsideIdentifier
from .vocabulary import PATIENT, VISION_PRESCRIPTION, Status, System

DEFAULT_COUNT, LARGEST_COUNT = 50, 200
#: Parameters of every request, no part of a search.
GENERAL = frozenset({"_format", "_pretty"})
COUNT, CURSOR = "_count", "_cursor"

_DATE = re.compile(r"(eq|ge|le|gt|lt)?([0-9]{4})(?:-([0-9]{2}))?(?:-([0-9]{2}))?")
_UNESCAPED_COMMA, _ESCAPED = re.compile(r"(?<!\\),"), re.compile(r"\\([\\,|$])")
_NOTHING = Q(pk__in=[])


class SearchRefused(DomainError):
    """A search that we cannot answer as it is meant: an unknown modifier, a malformed value, or, asked to be strict,
    an unknown parameter."""

    code = "exchange.search_refused"
    title = "The search cannot be carried out"
    status = 400


@dataclass(frozen=True, slots=True)
class Parameter:
    name: str
    type: str
    condition: Callable[[str], Q]
    words: str


@dataclass(frozen=True, slots=True)
class Search:
    """What is searched for: the conditions, the page, and what had to be left out."""

    conditions: list[Q]
    used: list[tuple[str, str]]
    count: int
    cursor: uuid.UUID | None
    ignored: list[Issue] = field(default_factory=list)

    def page(self, rows: Any) -> tuple[int, list[Any], list[tuple[str, str]] | None]:
        """(how many in all, this page newest first, parameters of the next page or None)."""
        for condition in self.conditions:
            rows = rows.filter(condition)
        total = rows.count()
        if self.count == 0:
            return total, [], None
        onward = rows if self.cursor is None else rows.filter(id__lt=self.cursor)
        found = list(onward.order_by("-id")[: self.count + 1])
        page = found[: self.count]
        if len(found) <= self.count:
            return total, page, None
        kept = [(name, value) for name, value in self.used if name != CURSOR]
        return total, page, [*kept, (CURSOR, str(page[-1].id))]


def search_from(query: QueryDict, known: tuple[Parameter, ...], *, strict: bool) -> Search:
    """Read a query string. Several values of one parameter by comma are alternatives, several parameters all hold."""
    by_name = {parameter.name: parameter for parameter in known}
    found = Search([], [], _count(query.get(COUNT, "")), _cursor(query.get(CURSOR, "")))
    for name, values in query.lists():
        plain, _, modifier = name.partition(":")
        if name in GENERAL or not any(values):
            continue
        if "\x00" in "".join(values):
            raise SearchRefused(f"{plain} holds a character that is none.")
        if name in {COUNT, CURSOR}:
            found.used.append((name, values[-1]))
        elif plain not in by_name:
            issue = Issue("not-supported", f"{name} is no search parameter here; known are {', '.join(by_name)}.")
            if strict:
                raise SearchRefused(issue.text)
            found.ignored.append(Issue(issue.code, f"{issue.text} It was left out.", severity="warning"))
        elif modifier:
            raise SearchRefused(f"{plain} is searched for without a modifier, not with :{modifier}.")
        else:
            found.conditions.extend(_any_of(by_name[plain], value) for value in values if value)
            found.used.extend((name, value) for value in values if value)
    return found


def address(path: str, used: list[tuple[str, str]]) -> str:
    return f"{path}?{urlencode(used)}" if used else path


def prefers(header: str, name: str) -> str:
    """The value of one preference of RFC 7240: ``handling=strict``; empty where it is not stated."""
    for part in re.split(r"[,;]", header):
        key, _, value = part.strip().partition("=")
        if key.strip().lower() == name:
            return value.strip().strip('"')
    return ""


def _any_of(parameter: Parameter, text: str) -> Q:
    found = _NOTHING
    for value in _UNESCAPED_COMMA.split(text):
        found |= parameter.condition(_ESCAPED.sub(r"\1", value.strip()))
    return found


def _count(text: str) -> int:
    if not text:
        return DEFAULT_COUNT
    if not (text.isascii() and text.isdigit()):
        raise SearchRefused(f"_count is a whole number from 0 to {LARGEST_COUNT}.")
    return min(int(text[:6]), LARGEST_COUNT)


def _cursor(text: str) -> uuid.UUID | None:
    if not text:
        return None
    found = uuid_from(text)
    if found is None:
        raise SearchRefused("_cursor comes from the next link of a page; do not make one.")
    return found


def uuid_from(text: str) -> uuid.UUID | None:
    """The id in its usual writing; None for any other text."""
    try:
        found = uuid.UUID(text)
    except ValueError:
        return None
    return found if str(found) == text.lower() else None


def _by_id(value: str) -> Q:
    found = uuid_from(value)
    return _NOTHING if found is None else Q(pk=found)


def _by_patient(value: str) -> Q:
    """``Patient/123`` or ``123``; somebody else's address names nobody here."""
    kind, _, key = value.rpartition("/")
    found = uuid_from(key)
    return _NOTHING if found is None or kind not in {"", PATIENT} else Q(customer_id=found)


def _by_status(value: str) -> Q:
    """A code that we never give finds nothing; a code that is none is a mistake."""
    code = value.rpartition("|")[2]
    if code not in set(Status):
        raise SearchRefused(f"status is one of {', '.join(Status)}.")
    if code == Status.ACTIVE:
        return Q(superseded_by__isnull=True)
    return Q(superseded_by__isnull=False) if code == Status.CANCELLED else _NOTHING


def _by_family(value: str) -> Q:
    return Q(search_family__startswith=folded(value)) if folded(value) else _NOTHING


def _by_identifier(own: System, kind: str, column: str) -> Callable[[str], Q]:
    """``system|value`` or, whoever's number it is, ``value``."""

    def condition(text: str) -> Q:
        system, bar, rest = text.partition("|")
        value = rest if bar else text
        outside = selectors.outside_identifiers(kind).filter(value=value)
        if bar:
            outside = outside.filter(system=system)
        theirs = Q(pk__in=outside.values(column))
        return theirs | _by_id(value) if not bar or system == own else theirs

    return condition


def _by_day(column: str) -> Callable[[str], Q]:
    """A day, month or year, with a prefix where another comparison than "within" is meant."""

    def condition(text: str) -> Q:
        match = _DATE.fullmatch(text)
        if match is None:
            raise SearchRefused(f"{text!r} is no day: write 2026-03-02, 2026-03 or 2026, with eq, ge, le, gt or lt.")
        prefix, first, last = match[1] or "eq", *_span(text, match)
        return {
            "eq": Q(**{f"{column}__gte": first, f"{column}__lte": last}),
            "ge": Q(**{f"{column}__gte": first}),
            "gt": Q(**{f"{column}__gt": last}),
            "le": Q(**{f"{column}__lte": last}),
            "lt": Q(**{f"{column}__lt": first}),
        }[prefix]

    return condition


def _span(text: str, match: re.Match[str]) -> tuple[dt.date, dt.date]:
    """First and last day of the year, month or day that is written."""
    try:
        year, month, day = int(match[2]), int(match[3] or 1), int(match[4] or 1)
        first = dt.date(year, month, day)
    except ValueError as error:
        raise SearchRefused(f"{text!r} is no day of the calendar.") from error
    if match[3] is None:
        return first, dt.date(year, 12, 31)
    return first, first if match[4] else dt.date(year, month, calendar.monthrange(year, month)[1])


_ID = Parameter("_id", "token", _by_id, "Id of the resource")

PARAMETERS: dict[str, tuple[Parameter, ...]] = {
    PATIENT: (
        _ID,
        Parameter(
            "identifier",
            "token",
            _by_identifier(System.CUSTOMER, OutsideIdentifier.Kind.PATIENT, "customer"),
            "Our customer number, or a number under which the person was taken in: system|value",
        ),
        Parameter("family", "string", _by_family, "Beginning of the family name, without case and accents"),
        Parameter("birthdate", "date", _by_day("birth_date"), "Day of birth, with eq, ge, le, gt or lt"),
    ),
    VISION_PRESCRIPTION: (
        _ID,
        Parameter(
            "identifier",
            "token",
            _by_identifier(System.PRESCRIPTION, OutsideIdentifier.Kind.PRESCRIPTION, "prescription"),
            "Our number of the prescription, or one under which it was taken in: system|value",
        ),
        Parameter("patient", "reference", _by_patient, "Whose prescription it is: Patient/id"),
        Parameter("datewritten", "date", _by_day("issued_on"), "Day of issue, with eq, ge, le, gt or lt"),
        Parameter("status", "token", _by_status, "active, or cancelled where it was superseded"),
    ),
}


def searchable(resource: str) -> Iterator[dict[str, str]]:
    """For the CapabilityStatement."""
    for parameter in PARAMETERS.get(resource, ()):
        yield {"name": parameter.name, "type": parameter.type, "documentation": parameter.words}
