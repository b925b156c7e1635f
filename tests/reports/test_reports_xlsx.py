"""The workbook, read back by openpyxl, which is no part of the service."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from decimal import Decimal

import openpyxl
import pytest

from opticshop.branches.models import Branch
from opticshop.reports import xlsx
from opticshop.reports.registry import Column, Report, Scope

COLUMNS = (
    Column("currency", "Currency", "text", "Of the branch."),
    Column("net", "Net", "money", "Without tax."),
    Column("margin_share", "Margin share", "share", "Margin over net."),
    Column("waited", "Waited", "hours", "Opening hours."),
    Column("orders", "Orders", "count", "=1+1 is what this definition begins with."),
    Column("last", "Last", "day", "Day of the last."),
)
REPORT = Report("k", "Sales", "What was sold.", COLUMNS, ("branch",), lambda scope: [], "nothing: an example", "p")
SCOPE = Scope(dt.date(2026, 2, 1), dt.date(2026, 2, 28), (Branch(code="MILL"), Branch(code="QUAY")), "branch")
#: Texts that a spreadsheet takes for a formula, a link or a number where it may (OWASP, CSV Injection, from memory).
RISKY = ["=1+1", '=HYPERLINK("http://x.example")', "+1", "-1", "@SUM(A1)", "http://x.example", "{=1}", "007", "<b>&"]


def row(**values):
    whole = {"branch": "MILL", "currency": "GBP", "net": Decimal("1234.50"), "margin_share": Decimal("0.6125")}
    return {**whole, "waited": Decimal("7.25"), "orders": 3, "last": dt.date(2026, 2, 27), **values}


def written(rows):
    with xlsx.workbook_file(REPORT, SCOPE, rows) as file:
        return file.read()


def opened(rows):
    return openpyxl.load_workbook(io.BytesIO(written(rows)))


def test_values_come_back_with_their_formats():
    sheet = opened([row(), row(branch="QUAY", currency="JPY", net=Decimal("88000"), margin_share=None)])["Figures"]
    told = [[cell.value for cell in line] for line in sheet.iter_rows()]
    assert told == [
        ["Branch", "Currency", "Net", "Margin share", "Waited", "Orders", "Last"],
        ["MILL", "GBP", 1234.5, 0.6125, 7.25, 3, dt.datetime(2026, 2, 27)],  # noqa: DTZ001
        ["QUAY", "JPY", 88000, None, 7.25, 3, dt.datetime(2026, 2, 27)],  # noqa: DTZ001
    ]
    formats = [[cell.number_format for cell in line[2:]] for line in sheet.iter_rows(min_row=2)]
    assert formats[0] == ["#,##0.00", "0.0%", "#,##0.00", "#,##0", "yyyy-mm-dd"]
    assert formats[1][0] == "#,##0", "the yen has no minor unit (ISO 4217)"
    assert sheet.freeze_panes == "B2"
    assert sheet.auto_filter.ref == "A1:G3"


def test_no_text_is_run():
    content = written([row(branch=text) for text in RISKY])
    sheet = openpyxl.load_workbook(io.BytesIO(content))["Figures"]
    cells = [line[0] for line in sheet.iter_rows(min_row=2)]
    assert [cell.value for cell in cells] == RISKY
    assert {cell.data_type for cell in cells} == {"s"}
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        names = parts.namelist()
        sheets = "".join(parts.read(name).decode() for name in names if name.startswith("xl/worksheets/"))
    assert "<f>" not in sheets
    assert "hyperlink" not in sheets
    assert not [name for name in names if "vba" in name.lower() or "external" in name.lower()]


def test_definitions_are_with_it():
    cells = [[cell.value for cell in line] for line in opened([row()])["Definitions"].iter_rows()]
    assert cells[0] == ["Sales", "What was sold."]
    assert cells[1][1].startswith("2026-02-01 to 2026-02-28, both included")
    assert ["Branches", "MILL, QUAY"] in cells
    assert cells[-6:] == [[column.title, column.definition] for column in COLUMNS]


def test_without_rows_there_is_the_heading():
    sheet = opened([])["Figures"]
    assert sheet.max_row == 1
    assert sheet["A1"].value == "Branch"


def test_more_rows_than_a_sheet_holds_are_refused(monkeypatch):
    monkeypatch.setattr(xlsx, "MOST_ROWS", 2)
    assert xlsx.write_workbook(io.BytesIO(), REPORT, SCOPE, [row(), row()]) == 2
    with pytest.raises(xlsx.TooManyRows):
        xlsx.write_workbook(io.BytesIO(), REPORT, SCOPE, iter([row(), row(), row()]))


def test_rows_are_taken_one_by_one():
    """2 000 rows of a generator: what is held at once stays below 2 MB, where their texts are 6 MB."""
    import tracemalloc

    rows = (row(branch=f"{number:05} " + "x" * 3_000) for number in range(2_000))
    xlsx.write_workbook(io.BytesIO(), REPORT, SCOPE, [row()])  # what is imported late
    tracemalloc.start()
    with xlsx.workbook_file(REPORT, SCOPE, rows) as file:
        taken = sum(len(chunk) for chunk in iter(lambda: file.read(65_536), b""))
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert taken > 50_000
    assert most < 2_000_000
