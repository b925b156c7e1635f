"""CSV after RFC 4180: bytes read strictly into numbered rows, rows written so that no spreadsheet runs them."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from opticshop.core.errors import Invalid

LARGEST_BYTES = 2 * 1024 * 1024
MOST_ROWS = 20_000
ENCODINGS = ("utf-8", "windows-1252")
DELIMITERS = (",", ";", "\t")
#: A text cell that begins like this is run as a formula by spreadsheets.
_RUNS = ("=", "+", "-", "@", "\t", "\r")
_GUARD = "'"


class FileTooLarge(Invalid):
    """The file holds more bytes or rows than one import takes; split it."""

    code = "purchasing.file_too_large"
    title = "The file is too large"


class FileUnreadable(Invalid):
    """The bytes are not text in the encoding named, or the text is not CSV. Says where."""

    code = "purchasing.file_unreadable"
    title = "The file cannot be read"


class HeadingMissing(Invalid):
    """A column that was named is not in the first row of the file, or stands there twice."""

    code = "purchasing.heading_missing"
    title = "The file has no such column"


def read(
    content: bytes, columns: dict[str, str], *, encoding: str, delimiter: str
) -> Iterator[tuple[int, dict[str, str]]]:
    """(row number, our field -> stripped text) of every row that is not empty; the headings are row 1.

    Raises FileTooLarge, FileUnreadable or HeadingMissing.
    """
    if len(content) > LARGEST_BYTES:
        raise FileTooLarge(f"{len(content)} bytes.", field="content", allowed=f"{LARGEST_BYTES} bytes")
    try:
        text = content.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise FileUnreadable(
            f"Line {line} holds a byte that is not {encoding}.", field="encoding", allowed=list(ENCODINGS)
        ) from error
    if "\x00" in text:
        raise FileUnreadable("The file holds a NUL character; it is no text.", field="content", allowed="CSV text")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        headings = [heading.strip() for heading in next(reader, [])]
        places = {name: _place(name, heading, headings) for name, heading in columns.items()}
        for count, row in enumerate((row for row in reader if any(cell.strip() for cell in row)), start=1):
            if count > MOST_ROWS:
                raise FileTooLarge("The file has too many rows.", field="content", allowed=f"{MOST_ROWS} rows")
            if len(row) != len(headings):
                raise FileUnreadable(
                    f"Line {reader.line_num} has {len(row)} cells under {len(headings)} headings.",
                    field="content",
                    allowed=f"{len(headings)} cells in every row, separated by {delimiter!r}",
                )
            yield reader.line_num, {name: unguarded(row[place].strip()) for name, place in places.items()}
    except csv.Error as error:
        raise FileUnreadable(f"Line {reader.line_num}: {error}.", field="content", allowed="CSV text") from error


def written(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """The rows as CSV text with CRLF line ends; text cells that a spreadsheet would run are guarded."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows([guarded(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return out.getvalue()


def guarded(text: str) -> str:
    return _GUARD + text if text.startswith(_RUNS) else text


def unguarded(text: str) -> str:
    """What ``guarded`` was given, so that an exported file can be read again."""
    return text[1:] if text.startswith(_GUARD) and text[1:].startswith(_RUNS) else text


def _place(name: str, heading: str, headings: list[str]) -> int:
    if headings.count(heading) != 1:
        problem = "stands there twice" if heading in headings else "is not in the first row"
        raise HeadingMissing(f"The column {heading!r} {problem}.", field=f"columns/{name}", allowed=headings[:100])
    return headings.index(heading)
