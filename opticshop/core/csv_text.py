"""CSV after RFC 4180: bytes read strictly into numbered rows, rows written so that no spreadsheet runs them.

A text cell that begins like a formula is written with an apostrophe before it; reading takes exactly one off again, so
every text comes back as it was.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import chain
from typing import Any

#: A text cell that begins like this is run as a formula by spreadsheets (OWASP, CSV Injection, from memory; the last
#: four are the wide forms that some of them take for the narrow ones).
_RUNS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_GUARD = "'"


class NotCsv(Exception):
    """The bytes are not text in the encoding, or the text is not CSV; ``line`` says where, 0 for nowhere special."""

    def __init__(self, problem: str, line: int = 0) -> None:
        super().__init__(f"Line {line} {problem}." if line else f"{problem}.")


class WrongEncoding(NotCsv):
    """A byte that the encoding does not know."""


def decoded(content: bytes, encoding: str) -> str:
    """The text of a file; a byte order mark is no part of it. Raises NotCsv, WrongEncoding."""
    try:
        text = content.decode("utf-8-sig" if encoding == "utf-8" else encoding)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise WrongEncoding(f"holds a byte that is not {encoding}", line) from error
    if "\x00" in text:
        raise NotCsv("The file holds a NUL character; it is no text")
    return text


def table(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """(number of its last line, cells) of every row that is not empty, as a text editor counts. Raises NotCsv."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                yield reader.line_num, row
    except csv.Error as error:
        raise NotCsv(f"cannot be read: {error}", reader.line_num) from error


def lines(heading: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The lines of the file, heading first, each ended by CRLF, one by one. Numbers stay numbers; texts are guarded."""
    for row in chain([heading], rows):
        line = io.StringIO(newline="")
        csv.writer(line, lineterminator="\r\n").writerow([_cell(value) for value in row])
        yield line.getvalue()


def guarded(text: str) -> str:
    return _GUARD + text if _is_run(text) else text


def unguarded(text: str) -> str:
    """What ``guarded`` was given, so that a file that was written can be read again."""
    return text[1:] if text.startswith(_GUARD) and _is_run(text) else text


def _is_run(text: str) -> bool:
    """Whether a spreadsheet would run it, or would once guards are taken off."""
    return text.lstrip(_GUARD).startswith(_RUNS)


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return guarded(value)
    return "" if value is None else format(value, "f") if isinstance(value, Decimal) else value
