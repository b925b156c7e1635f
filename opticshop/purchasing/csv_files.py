"""The CSV files of purchasing: bounds, refusals and named columns over ``core.csv_text``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from opticshop.core import csv_text
from opticshop.core.errors import Invalid

LARGEST_BYTES = 2 * 1024 * 1024
MOST_ROWS = 20_000
ENCODINGS = ("utf-8", "windows-1252")
DELIMITERS = (",", ";", "\t")


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
        yield from _rows(csv_text.decoded(content, encoding), columns, delimiter)
    except csv_text.WrongEncoding as error:
        raise FileUnreadable(str(error), field="encoding", allowed=list(ENCODINGS)) from error
    except csv_text.NotCsv as error:
        raise FileUnreadable(str(error), field="content", allowed="CSV text") from error


def _rows(text: str, columns: dict[str, str], delimiter: str) -> Iterator[tuple[int, dict[str, str]]]:
    table = csv_text.table(text, delimiter)
    headings = [heading.strip() for heading in next(table, (0, []))[1]]
    places = {name: _place(name, heading, headings) for name, heading in columns.items()}
    for count, (line, row) in enumerate(table, start=1):
        if count > MOST_ROWS:
            raise FileTooLarge("The file has too many rows.", field="content", allowed=f"{MOST_ROWS} rows")
        if len(row) != len(headings):
            raise FileUnreadable(
                f"Line {line} has {len(row)} cells under {len(headings)} headings.",
                field="content",
                allowed=f"{len(headings)} cells in every row, separated by {delimiter!r}",
            )
        yield line, {name: csv_text.unguarded(row[place].strip()) for name, place in places.items()}


def written(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """The rows as CSV text with CRLF line ends; text cells that a spreadsheet would run are guarded."""
    return "".join(csv_text.lines(headings, rows))


def _place(name: str, heading: str, headings: list[str]) -> int:
    if headings.count(heading) != 1:
        problem = "stands there twice" if heading in headings else "is not in the first row"
        raise HeadingMissing(f"The column {heading!r} {problem}.", field=f"columns/{name}", allowed=headings[:100])
    return headings.index(heading)
