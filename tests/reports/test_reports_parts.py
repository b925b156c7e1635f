"""Parts put together are what the whole is, of every report; what is sent in pieces is whole, or does not look so."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from dataclasses import replace

import pytest

from opticshop.branches.models import Branch
from opticshop.quality.figures import SPANS
from opticshop.reports import files, registry, telling
from opticshop.reports.parts import MOST_PARTS, count_of, in_parts, parts_of
from opticshop.reports.registry import Column, Report, Scope, all_reports
from tests.conftest import NOON

from .test_reports_money import supplied
from .test_reports_selling import sold_from_stock
from .test_reports_workshop import Pairs, shops

__all__ = ["shops"]
TODAY = NOON.date()
SCOPE = Scope(dt.date(2025, 11, 20), TODAY, (Branch(code="MILL"), Branch(code="QUAY")), "branch")


def test_the_parts_are_all_of_it_and_nothing_twice():
    many = replace(SCOPE, branches=tuple(Branch(code=f"B{number:03}") for number in range(100)))
    parts = parts_of(many)
    assert len(parts) <= MOST_PARTS
    assert tuple(branch for part in parts for branch in part.branches) == many.branches
    for by in SPANS:
        parts = parts_of(replace(SCOPE, by=by))
        assert len(parts) > 2
        assert (parts[0].since, parts[-1].until) == (SCOPE.since, SCOPE.until)
        begins = [part.since for part in parts[1:]]
        assert begins == [part.until + dt.timedelta(days=1) for part in parts[:-1]]
        assert all(day.weekday() == 0 if by == "week" else day.day == 1 for day in begins)
    assert parts_of(replace(SCOPE, by="product")) == [replace(SCOPE, by="product")]
    assert count_of(SCOPE, SCOPE, with_totals=True) == 6


@pytest.mark.django_db
def test_every_report_is_the_same_in_parts(shops):
    """Two branches of two currencies and zones, with pairs and sales in four months of two years."""
    mill, quay = shops
    pairs = Pairs()
    for branch in shops:
        for month in (12, 2):
            packed_at = dt.datetime(2026 if month < 3 else 2025, month, 27, 11, tzinfo=dt.UTC)
            pairs.packed(branch, packed_at - dt.timedelta(days=9), packed_at, packed_at + dt.timedelta(days=5))
        for day in (0, 35):
            supplied(branch, day, "120", "60")
        sold_from_stock(branch, "90", "30")
    compared = set()
    for report in all_reports():
        for by in {"branch", *SPANS} & set(report.groupings):
            scope = Scope(dt.date(2025, 11, 20), dt.date(2026, 4, 20), (quay, mill), by)
            whole = list(report.figures(scope))
            assert list(in_parts(lambda: None)(report, scope)) == whole, (report.key, by)
            if len(whole) > 1:
                compared.add((report.key, by))
    assert {key for key, _ in compared} >= {"sales-and-margin", "orders-placed", "turnaround", "promises-kept"}
    assert {by for _, by in compared} == {"branch", *SPANS}


# --- in pieces --------------------------------------------------------------------------------------------------------


@pytest.fixture
def long(monkeypatch):
    """A report with many rows, that fails at a row if it is told to: ``long.breaks_at``."""

    class Rows:
        count, breaks_at = 3_000, None

        def __call__(self, scope):
            return [
                {scope.by: None if number == self.breaks_at else f"{number:05} " + "x" * 200, "orders": number}
                for number in range(self.count)
            ]

    rows = Rows()
    columns = (Column("orders", "Orders", "count", "How many."),)
    report = Report("long", "Long", "Many rows.", columns, ("person",), rows, "nothing", "quality.figures")
    monkeypatch.setattr(registry, "_reports", {**registry._reports, "long": report})

    plain = telling.value_of

    def value_of(column, row):
        if rows.breaks_at is not None and row.get("person", "") is None:
            raise RuntimeError("the disk is full")
        return plain(column, row)

    monkeypatch.setattr(telling, "value_of", value_of)
    return rows


@pytest.mark.django_db
def test_rows_are_sent_in_pieces_through_all_that_stands_before_the_view(api, manager, long):
    query = {"by": "person", "from": "2026-02-01", "to": "2026-02-28"}
    response = api(manager).get("/api/v1/reports/long/rows.csv/", query)
    assert (response.status_code, response.streaming) == (200, True)
    pieces = list(response)
    assert len(pieces) > 5
    assert max(map(len, pieces)) < 2 * files.PIECE
    assert len(list(csv.reader(io.StringIO(b"".join(pieces).decode())))) == 1 + 2 * long.count
    response = api(manager).get("/api/v1/reports/long/rows.xlsx/", query)
    assert (response.status_code, response.streaming) == (200, True)
    content = b"".join(response)
    assert int(response["Content-Length"]) == len(content), "what breaks off is shorter than it was said to be"
    assert response["Cache-Control"] == "no-store"
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        assert parts.testzip() is None
    with pytest.raises(zipfile.BadZipFile):  # APPNOTE of ZIP, 4.3.16: the directory and its end stand last
        zipfile.ZipFile(io.BytesIO(content[:-100]))


@pytest.mark.django_db
def test_what_fails_in_the_middle_is_not_ended_as_if_it_were_whole(api, manager, long):
    """PEP 3333 leaves what was begun to the server, which breaks the connection off; it must hear of the error."""
    client, query = api(manager), {"by": "person"}
    client.raise_request_exception = False
    long.breaks_at = 10
    early = client.get("/api/v1/reports/long/rows.csv/", query)
    assert (early.status_code, early["Content-Type"]) == (500, "application/problem+json"), "nothing had left yet"
    long.breaks_at = 2_500
    late = client.get("/api/v1/reports/long/rows.csv/", query)
    assert late.status_code == 200
    with pytest.raises(RuntimeError, match="disk is full"):
        list(late)
