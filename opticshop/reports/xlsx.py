"""A report as a workbook of Office Open XML (ECMA-376): its rows, and a sheet with the definition of each column.

Rows are written one by one to a file on the disk (``constant_memory``), so memory does not grow with them. A text is
always written as a text: neither a formula nor a link can come of it. Money keeps its minor unit; it is a number of the
workbook, a double, which holds every amount below 10^13 with two digits to the penny.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import IO, Any

import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from opticshop.core import clock
from opticshop.core.errors import Invalid
from opticshop.core.money import minor_unit

from .registry import Column, Report, Row, Scope

CONTENT_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
#: What a sheet holds besides its heading (ECMA-376 as spreadsheets implement it: 1,048,576 rows).
MOST_ROWS = 1_048_575
MOST_CHARACTERS = 32_767
#: Characters of the widest kinds of values.
_WIDTHS = {"text": 18, "day": 12, "count": 11, "money": 15, "share": 10, "hours": 11, "days": 10, "rate": 10}
_NUMBER_FORMATS = {"count": "#,##0", "days": "#,##0", "hours": "#,##0.00", "rate": "#,##0.00", "share": "0.0%"}


class TooManyRows(Invalid):
    """A sheet does not hold them; ask for a shorter period or a coarser grouping."""

    code = "reports.too_many_rows"
    title = "A workbook does not hold so many rows"


def write_workbook(out: IO[bytes], report: Report, scope: Scope, rows: Iterable[Row]) -> int:
    """Write the workbook to a file that is open for bytes; returns how many rows. Raises TooManyRows.

    The first column is the grouping. Shares are fractions shown in per cent; what is null stays empty.
    """
    options = {
        "constant_memory": True,
        "in_memory": False,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "nan_inf_to_errors": False,
    }
    with xlsxwriter.Workbook(out, options) as book:
        made = clock.now().replace(tzinfo=None)
        book.set_properties({"title": report.title, "comments": report.purpose, "created": made})
        formats = _Formats(book)
        count = _figures(book.add_worksheet("Figures"), formats, report, scope, rows)
        _definitions(book.add_worksheet("Definitions"), formats, report, scope)
    return count


def workbook_file(report: Report, scope: Scope, rows: Iterable[Row]) -> IO[bytes]:
    """The workbook as a file without a name on the disk, at its beginning. Raises TooManyRows.

    It is written to its end before anybody gets a byte: a ZIP has its end last, and what breaks off has none.
    """
    out = tempfile.TemporaryFile()  # noqa: SIM115 - closed by who takes it
    try:
        write_workbook(out, report, scope, rows)
        out.seek(0)
    except BaseException:
        out.close()
        raise
    return out


class _Formats:
    """One format a kind, and one of money a minor unit."""

    def __init__(self, book: Workbook) -> None:
        self._book = book
        self.heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.bold = book.add_format({"bold": True})
        self.wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self.day = book.add_format({"num_format": "yyyy-mm-dd"})
        self._numbers = {kind: book.add_format({"num_format": code}) for kind, code in _NUMBER_FORMATS.items()}
        self._money: dict[int, Format] = {}

    def number(self, kind: str, currency: str) -> Format | None:
        if kind != "money":
            return self._numbers.get(kind)
        places = -int(minor_unit(currency).as_tuple().exponent)
        if places not in self._money:
            self._money[places] = self._book.add_format(
                {"num_format": "#,##0" + ("." + "0" * places if places else "")}
            )
        return self._money[places]


def _figures(sheet: Worksheet, formats: _Formats, report: Report, scope: Scope, rows: Iterable[Row]) -> int:
    columns = [Column(scope.by, scope.by.replace("_", " ").capitalize(), "text", ""), *report.columns]
    for place, column in enumerate(columns):
        sheet.set_column(place, place, max(_WIDTHS[column.kind], min(len(column.title), 24)))
        sheet.write_string(0, place, column.title, formats.heading)
    sheet.freeze_panes(1, 1)
    number = 0
    for number, row in enumerate(rows, start=1):
        if number > MOST_ROWS:
            raise TooManyRows(f"{report.key} has more than {MOST_ROWS}.", field="by", allowed="a coarser grouping")
        currency = str(row.get("currency") or "")
        for place, column in enumerate(columns):
            _cell(sheet, formats, number, place, column.kind, currency, row.get(column.key))
    if number:
        sheet.autofilter(0, 0, number, len(columns) - 1)
    return number


def _cell(sheet: Worksheet, formats: _Formats, row: int, place: int, kind: str, currency: str, value: Any) -> None:
    if value is None:
        return
    if isinstance(value, Decimal | int | float) and not isinstance(value, bool) and kind != "text":
        sheet.write_number(row, place, value, formats.number(kind, currency))
    elif isinstance(value, dt.date):
        sheet.write_datetime(row, place, dt.datetime(value.year, value.month, value.day), formats.day)  # noqa: DTZ001
    else:
        sheet.write_string(row, place, _text(str(value)))


def _definitions(sheet: Worksheet, formats: _Formats, report: Report, scope: Scope) -> None:
    sheet.set_column(0, 0, 32)
    sheet.set_column(1, 1, 100)
    codes = ", ".join(sorted(branch.code for branch in scope.branches))
    about: Sequence[tuple[str, str]] = (
        (report.title, report.purpose),
        ("Period", f"{scope.since} to {scope.until}, both included; days of each branch's own calendar"),
        ("Grouped by", scope.by.replace("_", " ")),
        ("Branches", codes),
        ("Reconciled with", report.reconciled_with),
    )
    place = 0
    for place, (name, words) in enumerate(about):
        sheet.write_string(place, 0, _text(name), formats.bold)
        sheet.write_string(place, 1, _text(words), formats.wrapped)
    place += 2
    sheet.write_string(place, 0, "Column", formats.heading)
    sheet.write_string(place, 1, "Definition", formats.heading)
    for number, column in enumerate(report.columns, start=place + 1):
        sheet.write_string(number, 0, _text(column.title), formats.wrapped)
        sheet.write_string(number, 1, _text(column.definition), formats.wrapped)


def _text(value: str) -> str:
    """As much as a cell holds."""
    return value[:MOST_CHARACTERS]
