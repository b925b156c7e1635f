"""From the bytes of an uploaded file to its headings and rows: what is no CSV text is refused in plain words."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from itertools import islice

from django.conf import settings

from opticshop.core import csv_text
from opticshop.core.errors import Invalid

from .models import Encoding

DELIMITERS = (",", ";", "\t", "|")
MOST_COLUMNS = 100
LONGEST_HEADING = 120
LONGEST_CELL = 2000
PREVIEWED = 5
#: How files that are no text begin: from memory of the published formats, common practice.
_NOT_TEXT = (
    (b"PK\x03\x04", "This is a ZIP archive or a spreadsheet workbook. Save the sheet as CSV and upload that."),
    (b"PK\x05\x06", "This is an empty ZIP archive. Upload the CSV file itself."),
    (b"\xd0\xcf\x11\xe0", "This is an old spreadsheet workbook. Save the sheet as CSV and upload that."),
    (b"%PDF", "This is a PDF document. Upload the table as CSV."),
    (b"\x1f\x8b", "This is a gzip archive. Unpack it and upload the CSV file itself."),
    (b"BZh", "This is a bzip2 archive. Unpack it and upload the CSV file itself."),
    (b"7z\xbc\xaf\x27\x1c", "This is a 7z archive. Unpack it and upload the CSV file itself."),
    (b"\xfd7zXZ", "This is an xz archive. Unpack it and upload the CSV file itself."),
    (b"\x89PNG", "This is a picture. Upload the table as CSV."),
    (b"\xff\xd8\xff", "This is a picture. Upload the table as CSV."),
    (b"\xff\xfe", "This is UTF-16 text. Save it as UTF-8."),
    (b"\xfe\xff", "This is UTF-16 text. Save it as UTF-8."),
)


class NotACsvFile(Invalid):
    """The bytes are a workbook, an archive, a document or a picture, not text with separated cells."""

    code = "imports.not_a_csv_file"
    title = "This is not a CSV file"


class FileTooLarge(Invalid):
    """The file holds more bytes, rows or columns than one import takes; split it."""

    code = "imports.file_too_large"
    title = "The file is too large"


class FileUnreadable(Invalid):
    """The bytes are not text in the encoding, or a quote is opened and never closed. Says on which line."""

    code = "imports.file_unreadable"
    title = "The file cannot be read"


class HeadingsUnusable(Invalid):
    """The first row must name every column, each name once and not too long."""

    code = "imports.headings_unusable"
    title = "The headings cannot be used"


class NoRows(Invalid):
    """The file has headings but nothing below them, or nothing at all."""

    code = "imports.no_rows"
    title = "The file has no rows"


@dataclass(frozen=True, slots=True)
class Reading:
    """How a file was read, and what of that was found out and not given."""

    encoding: str
    delimiter: str
    headings: list[str]
    rows: list[tuple[int, list[str]]]
    detected: list[str]


def read(content: bytes, *, encoding: str | None = None, delimiter: str | None = None) -> Reading:
    """The whole file. Raises what this module declares."""
    _refuse_other_files(content)
    detected = [name for name, given in (("encoding", encoding), ("delimiter", delimiter)) if not given]
    encoding = encoding or detected_encoding(content)
    try:
        text = csv_text.decoded(content, encoding)
    except csv_text.WrongEncoding as error:
        raise FileUnreadable(str(error), field="encoding", allowed=list(Encoding.values)) from error
    except csv_text.NotCsv as error:
        raise FileUnreadable(str(error), field="file", allowed="CSV text") from error
    delimiter = delimiter or detected_delimiter(text)
    try:
        table = csv_text.table(text, delimiter)
        headings = _headings(next(table, (0, []))[1])
        most = settings.OPTICSHOP_IMPORT_ROWS
        rows = [(line, [csv_text.unguarded(cell.strip()) for cell in row]) for line, row in islice(table, most + 1)]
    except csv_text.NotCsv as error:
        raise FileUnreadable(
            f"{error} A quote may be open that is never closed.", field="file", allowed="CSV text after RFC 4180"
        ) from error
    if len(rows) > most:
        raise FileTooLarge(f"The file has more than {most} rows.", field="file", allowed=f"{most} rows")
    if not rows:
        raise NoRows(field="file", allowed="headings and at least one row")
    return Reading(encoding, delimiter, headings, rows, detected)


def most_bytes() -> int:
    return int(settings.OPTICSHOP_IMPORT_BYTES)


def check_size(size: int) -> None:
    """Raises FileTooLarge, NoRows."""
    most = most_bytes()
    if size > most:
        raise FileTooLarge(f"The file has {size} bytes.", field="file", allowed=f"{most} bytes")
    if size == 0:
        raise NoRows("The file is empty.", field="file", allowed="headings and at least one row")


def detected_encoding(content: bytes) -> str:
    """UTF-8 where the bytes are that, with or without its mark; otherwise windows-1252."""
    if content.startswith(b"\xef\xbb\xbf"):
        return Encoding.UTF_8_SIG
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return Encoding.WINDOWS_1252
    return Encoding.UTF_8


def detected_delimiter(text: str) -> str:
    """The delimiter that gives the headings and the first rows the same number of cells, and the most of them."""

    def fit(delimiter: str) -> tuple[int, int]:
        first: list[list[str]] = []
        with suppress(csv_text.NotCsv):
            first.extend(row for _, row in islice(csv_text.table(text[:100_000], delimiter), 20))
        width = len(first[0]) if first else 0
        return (sum(len(row) == width for row in first), width) if width > 1 else (0, 0)

    return max(DELIMITERS, key=fit)


def _refuse_other_files(content: bytes) -> None:
    for beginning, words in _NOT_TEXT:
        if content.startswith(beginning):
            raise NotACsvFile(words, field="file", allowed="text with one row per line, its cells separated")


def _headings(cells: list[str]) -> list[str]:
    headings = [csv_text.unguarded(cell.strip()) for cell in cells]
    if len(headings) > MOST_COLUMNS:
        raise FileTooLarge(f"{len(headings)} columns.", field="file", allowed=f"{MOST_COLUMNS} columns")
    named = [heading for heading in headings if heading]
    if not named:
        raise NoRows("There is no row of headings.", field="file", allowed="headings and at least one row")
    twice = sorted({heading for heading in named if named.count(heading) > 1})
    if twice:
        raise HeadingsUnusable(
            f"{twice[0]!r} stands there twice.", field="file", allowed="every heading once", headings=twice
        )
    if too_long := [heading for heading in named if len(heading) > LONGEST_HEADING or not heading.isprintable()]:
        raise HeadingsUnusable(
            f"The heading {too_long[0][:40]!r} is too long or not printable.",
            field="file",
            allowed=f"at most {LONGEST_HEADING} printable characters",
        )
    return headings


def first_rows(reading: Reading) -> list[list[str]]:
    return [[cell[:200] for cell in cells] for _, cells in reading.rows[:PREVIEWED]]
