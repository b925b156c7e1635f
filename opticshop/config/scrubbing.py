"""What may stand in a log: no names, birth dates, addresses, phones, mail, tokens, passwords, prescriptions.

Two rules, because a name cannot be told from any other word. The text of an exception is kept only for kinds whose text
is known to be about the program and not about a person; of every other the kind and the place in the program remain.
And whatever looks like a mail address, a phone number, a day, a secret or a query of an address is taken out of every
line. ``OPTICSHOP_LOG_TEXTS=1`` keeps the texts of exceptions, for a machine without data of real people.
"""

from __future__ import annotations

import re
import sqlite3
import traceback
from collections.abc import Iterator
from types import TracebackType

from django.core.exceptions import ImproperlyConfigured
from django.db import Error as DatabaseError
from django.db import OperationalError
from django.db.transaction import TransactionManagementError
from redis.exceptions import RedisError

from opticshop.core.errors import DomainError

WITHHELD = "(text withheld)"
#: Kinds whose text speaks of the program, the machine or a connection.
_OF_THE_PROGRAM = (
    AttributeError,
    ImportError,
    NameError,
    NotImplementedError,
    RecursionError,
    MemoryError,
    ImproperlyConfigured,
    TransactionManagementError,
    RedisError,
    sqlite3.Error,
)
_MOST_CAUSES = 8

_UUID = r"(?<![0-9A-Za-z])[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}(?![0-9A-Za-z])"
#: (what is looked for, what stands in its place); the first that fits wins, a key of a row stays as it is.
_PATTERNS = (
    ("key", _UUID, None),
    ("address", r"[^\s@<>\"'=,;:(){}\[\]]{1,64}@[A-Za-z0-9-]{1,63}(?:\.[A-Za-z0-9-]{1,63}){1,8}", "<mail>"),
    ("bearer", r"(?i:\b(?:bearer|basic)\s{1,3})[A-Za-z0-9._~+/=-]{8,4000}", "<secret>"),
    (
        "named",
        r"(?i:\b(?:password|passwd|secret|token|authorization|api_?key|session(?:id)?|csrf\w{0,20}))"
        r"[\"']?\s{0,3}[=:]\s{0,3}[\"']?(?i:(?:bearer|basic)\s{1,3})?[^\s\"',;&}]{1,4000}",
        "<secret>",
    ),
    ("detail", r"\b(?:DETAIL|CONTEXT|PARAMETERS):[^\n]{0,20000}", "<detail>"),
    ("query", r"\?[A-Za-z0-9_.\[\]-]{1,60}=[^\s\"'<>]{0,8000}", "?<query>"),
    ("words", r"(?<=/)(?=[A-Za-z0-9_:~.-]{0,200}[0-9A-Z:])[A-Za-z0-9_:~.-]{24,2000}(?![A-Za-z0-9_:~.-])", "<words>"),
    ("day", r"(?<![0-9])(?:19|20)[0-9]{2}-[01][0-9]-[0-3][0-9](?![0-9T])", "<day>"),
    ("phone", r"(?<![0-9A-Za-z.-])(?:\+|\(?0\)?)(?:[ ()/-]{0,2}[0-9]){7,16}(?![0-9A-Za-z-])", "<phone>"),
)
_LOOKED_FOR = re.compile("|".join(f"(?P<{name}>{pattern})" for name, pattern, _ in _PATTERNS))
_INSTEAD = {name: instead for name, _, instead in _PATTERNS}
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


def scrubbed(line: str) -> str:
    """The line without what looks personal or secret, and as one line."""
    return _UNPRINTABLE.sub(" ", _LOOKED_FOR.sub(_instead, line))


def _instead(found: re.Match[str]) -> str:
    instead = _INSTEAD[found.lastgroup or ""]
    return found[0] if instead is None else instead


def told(error: BaseException, *, whole: bool = False) -> str:
    """The kind of an exception, with as much of its text as may be kept."""
    kind = type(error)
    name = kind.__qualname__ if kind.__module__ == "builtins" else f"{kind.__module__}.{kind.__qualname__}"
    return f"{name}: {scrubbed(str(error) if whole else _text_of(error))}"


def _text_of(error: BaseException) -> str:
    if isinstance(error, DomainError):
        return error.code
    if isinstance(error, DatabaseError):
        return _of_the_database(error)
    if isinstance(error, OSError):
        return error.strerror or WITHHELD
    return str(error) if isinstance(error, _OF_THE_PROGRAM) else WITHHELD


def _of_the_database(error: BaseException) -> str:
    """PostgreSQL quotes rows and values, so of its errors the state and the names of our own tables are kept."""
    cause = error.__cause__
    if isinstance(cause, sqlite3.Error):
        return str(cause)
    state, said = getattr(cause, "sqlstate", None), getattr(cause, "diag", None)
    if state is None:  # of the connection, unless the driver itself refused a value
        return str(error) if isinstance(error, OperationalError) else WITHHELD
    place = [getattr(said, name, None) for name in ("table_name", "column_name", "constraint_name")]
    return " ".join(["SQLSTATE", state, *filter(None, place)])


def texts_of(error: BaseException) -> set[str]:
    """The texts of an exception and of all that led to it, as others may have put them into a message."""
    return {form for each in chain(error) for form in (repr(each), str(each)) if len(form) > 3}


def chain(error: BaseException) -> Iterator[BaseException]:
    """The exception, then what it was raised from, then that one's cause."""
    seen: set[int] = set()
    found: BaseException | None = error
    while found is not None and id(found) not in seen and len(seen) < _MOST_CAUSES:
        seen.add(id(found))
        yield found
        found = found.__cause__ or (None if found.__suppress_context__ else found.__context__)


def trace(error: BaseException, *, whole: bool = False) -> str:
    """The traceback, innermost cause first as Python writes it: places in the program, and what ``told`` keeps."""
    parts = []
    for each in reversed(list(chain(error))):
        parts.append(f"{_frames(each.__traceback__)}{told(each, whole=whole)}")
    return "\n\nThen, while that was handled or because of it:\n\n".join(parts)


def _frames(places: TracebackType | None) -> str:
    listed = traceback.format_list(traceback.extract_tb(places, limit=-40)) if places else []
    return "".join(["Traceback (most recent call last):\n", *listed]) if listed else ""
