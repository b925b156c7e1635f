"""Rows as CSV after RFC 4180, safe to open in a spreadsheet: a text cell that begins like a formula is quoted off."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from typing import Any

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def csv_text(heading: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """The lines of the file, heading first, each ended by CRLF. Numbers stay numbers; texts are guarded."""
    for row in (heading, *rows):
        line = io.StringIO()
        csv.writer(line).writerow([_cell(value) for value in row])
        yield line.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return "" if value is None else format(value, "f") if isinstance(value, Decimal) else value
