"""Records of the Data Communication Standard as lines of text: ``LABEL=field;field``, one a line, kept verbatim.

Reading loses nothing: unknown and private labels (those that begin with ``_``), blank lines, order and line endings
stay as they came, so what was not touched is written byte for byte. What a label means is for the modules above.

Known of the standard: record, label, code and field separators (Vision Council, Data Communication Standard v3.08 and
v3.12, contents pages seen). From memory and not checked against the published text: the length of labels and lines,
quoted text, private labels, ``?`` for "unknown" and the order right;left. Hence ``NOT_CERTIFIED``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum

from opticshop.optics.eyes import Eye

from .errors import TraceError

NOT_CERTIFIED = (
    "Trace and job records follow the Data Communication Standard as remembered; they are not certified against the "
    "published standard. Check the first jobs of a machine by hand."
)
LARGEST_FILE_BYTES, MOST_LINES = 1_000_000, 100_000
#: From memory: labels have up to 8 characters and lines about 80. Longer ones are kept and noted, never refused.
LONGEST_LABEL, LINE_WIDTH = 8, 80
_LONGEST_ANY_LABEL = 60

_LABEL = re.compile(r"[A-Z_][A-Z0-9_]*")
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,9})?|\.\d{1,9})")
_INTEGER = re.compile(r"-?\d{1,9}")
#: One field with its separator: quoted, with blanks around it, or plain. A quote that is not closed is no field.
_FIELD = re.compile(r'[ \t]*+(?:"(?P<quoted>[^"]*)"[ \t]*|(?P<plain>(?!")[^;]*))(?P<more>;|$)')
_ENDING = re.compile(r"\r\n|\n|\r")


class Missing(Enum):
    """Why there is no number. Neither is zero."""

    UNKNOWN = "?"
    NOT_GIVEN = ""


Value = float | Missing


@dataclass(frozen=True, slots=True)
class Record:
    """One line. ``raw`` is the line as it came, without its ``ending``; a blank line has an empty ``label``."""

    line: int
    label: str
    raw: str
    ending: str = "\r\n"

    @property
    def text(self) -> str:
        """What stands after the label separator."""
        return self.raw.partition("=")[2]

    def refuse(self, reason: str) -> TraceError:
        return TraceError(reason, line=self.line, label=self.label)

    def fields(self) -> list[str]:
        """The fields without blanks around them and without quotes; a field separator within quotes is text."""
        text, fields, at = self.text, [], 0
        while True:
            found = _FIELD.match(text, at)
            if found is None:
                raise self.refuse("a quoted text is not closed")
            fields.append(found["quoted"] if found["quoted"] is not None else found["plain"].rstrip(" \t"))
            at = found.end()
            if not found["more"]:
                return fields

    def integers(self) -> list[int]:
        """Whole numbers; an empty last field is ignored, any other is an error."""
        fields = self.fields()
        if len(fields) > 1 and fields[-1] == "":
            fields.pop()
        for place, field in enumerate(fields, start=1):
            if not _INTEGER.fullmatch(field):
                raise self.refuse(f"field {place} is {_quoted(field)}, not a whole number")
        return [int(field) for field in fields]

    def number(self, field: str) -> Value:
        """A decimal with a point, ``?`` for unknown, nothing for not given. Raises TraceError for anything else."""
        if field in {"?", ""}:
            return Missing(field)
        if not _NUMBER.fullmatch(field):
            hint = "; the decimal mark is a point" if "," in field else ""
            raise self.refuse(f"{_quoted(field)} is not a number{hint}")
        return float(field)

    def single(self) -> Value:
        """The one number of a record that is not of an eye."""
        fields = self.fields()
        if any(field for field in fields[1:]):
            raise self.refuse("one value is expected here")
        return self.number(fields[0])

    def chiral(self) -> Chiral:
        """Right;left, in that order. One value alone is taken for the right eye and marked as ambiguous."""
        fields = self.fields()
        if len(fields) > 2:
            raise self.refuse("at most two values are expected: right;left")
        right = self.number(fields[0])
        left = self.number(fields[1]) if len(fields) == 2 else Missing.NOT_GIVEN
        return Chiral(right, left, is_ambiguous=len(fields) == 1 and right is not Missing.NOT_GIVEN)


@dataclass(frozen=True, slots=True)
class Chiral:
    right: Value = Missing.NOT_GIVEN
    left: Value = Missing.NOT_GIVEN
    is_ambiguous: bool = False

    def of(self, eye: Eye) -> Value:
        return self.right if eye is Eye.RIGHT else self.left


@dataclass(frozen=True, slots=True)
class Records:
    """All lines of a file, in order."""

    lines: tuple[Record, ...]

    def __iter__(self) -> Iterator[Record]:
        """The records; blank lines are passed over."""
        return (record for record in self.lines if record.label)

    def labelled(self, label: str) -> list[Record]:
        return [record for record in self if record.label == label]

    def to_bytes(self) -> bytes:
        return "".join(record.raw + record.ending for record in self.lines).encode("ascii")


def read_records(content: bytes) -> Records:
    """The lines of a file, checked for form only. Raises TraceError for what is not a file of ASCII records."""
    if len(content) > LARGEST_FILE_BYTES:
        raise TraceError(f"the file has {len(content)} bytes; at most {LARGEST_FILE_BYTES} are read")
    lines: list[Record] = []
    start, text = 0, content.decode("latin-1")
    while start < len(text):
        found = _ENDING.search(text, start)
        stop, after = found.span() if found else (len(text), len(text))
        if len(lines) == MOST_LINES:
            raise TraceError(f"the file has more than {MOST_LINES} lines", line=MOST_LINES + 1)
        lines.append(_record(len(lines) + 1, text[start:stop], text[stop:after]))
        start = after
    records = Records(tuple(lines))
    for status in records.labelled("STATUS"):
        if status.fields()[0] != "0":
            raise status.refuse("the sender reports a failure (STATUS is not 0)")
    return records


def write_records(rows: Iterable[tuple[str, str]]) -> bytes:
    """New records from (label, text after the label separator), each ended by CR LF."""
    lines = [Record(line, label, f"{label}={text}") for line, (label, text) in enumerate(rows, start=1)]
    return Records(tuple(lines)).to_bytes()


def wrapped(label: str, values: Iterable[int]) -> Iterator[tuple[str, str]]:
    """Many whole numbers as several records of one label, none wider than a line."""
    line = ""
    for value in values:
        longer = f"{line};{value}" if line else str(value)
        if len(label) + 1 + len(longer) > LINE_WIDTH:
            yield label, line
            longer = str(value)
        line = longer
    if line:
        yield label, line


def _record(line: int, raw: str, ending: str) -> Record:
    odd = next((char for char in raw if not (" " <= char <= "~" or char == "\t")), None)
    label, separator, _ = raw.partition("=")
    known = label if _LABEL.fullmatch(label) else ""
    if odd is not None:
        raise TraceError(_odd(odd), line=line, label=known[:_LONGEST_ANY_LABEL])
    if not raw.strip(" \t"):
        return Record(line, "", raw, ending)
    if not separator:
        raise TraceError(f"no record: there is no label separator in {_quoted(raw)}", line=line)
    if not known or len(label) > _LONGEST_ANY_LABEL:
        raise TraceError(f"{_quoted(label)} is not a label (capital letters, digits and underscores)", line=line)
    return Record(line, label, raw, ending)


def _odd(char: str) -> str:
    if char == "\0":
        return "a NUL byte; only text is read"
    if char > "~":
        return f"the byte 0x{ord(char):02X} is not ASCII; binary formats are not read, only ASCII absolute (format 1)"
    return f"the control character 0x{ord(char):02X}; files are read, not the packets of a serial session"


def _quoted(text: str) -> str:
    return f"'{text[:20]}…'" if len(text) > 20 else f"'{text}'"
