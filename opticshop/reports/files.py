"""The file of a report in each format. JSON and CSV are those of the API; each is reckoned with the same functions."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import IO, Any

from opticshop.core.errors import Invalid
from opticshop.core.replica import read_from_replica

from . import telling
from .asking import Asked
from .comparing import Figures, Found, found_for, reckoned_whole
from .models import Format
from .parts import Reckoned, count_of, in_parts
from .registry import TOTAL, Report, Row

CONTENT_TYPES: dict[str, str] = {
    Format.JSON: "application/json",
    Format.CSV: "text/csv; charset=utf-8",
    Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Format.SVG: "image/svg+xml",
    Format.PNG: "image/png",
}
#: Characters of a CSV that are sent at once, about.
PIECE = 64 * 1024


class FormatNotOffered(Invalid):
    """The report has no chart: ask for its rows."""

    code = "reports.format_not_offered"
    title = "The report is not made in this format"


def refuse_format(report: Report, kind: str) -> None:
    """Raises FormatNotOffered."""
    if kind in (Format.SVG, Format.PNG) and report.chart is None:
        formats = [str(each) for each in (Format.JSON, Format.CSV, Format.XLSX)]
        raise FormatNotOffered(f"{report.key} has no chart.", field="format", allowed=formats)


def steps_of(asked: Asked, kind: str) -> int:
    """How many steps it takes to write the file: each part that is reckoned, and the file itself."""
    earlier = None if kind == Format.XLSX else asked.earlier  # a workbook shows the period alone
    return 1 + count_of(asked.scope, earlier, with_totals=kind in (Format.JSON, Format.CSV))


def written(asked: Asked, kind: str, reckoned: Reckoned = lambda: None) -> tuple[bytes, int]:
    """The bytes of the file and the number of its rows; ``reckoned`` is called after each part of the figures.

    Raises NoChart, TooManyRows.
    """
    figures = in_parts(reckoned)
    if kind in (Format.JSON, Format.CSV):
        found = found_for(asked, figures)
        rows = len(found.totals if asked.scope.by == TOTAL else found.rows)
        return (_json if kind == Format.JSON else _csv)(asked, found), rows
    if kind == Format.XLSX:
        from .xlsx import write_workbook  # loaded with the first workbook, not with every start

        out = io.BytesIO()
        count = write_workbook(out, asked.report, asked.scope, read_from_replica(lambda: _rows(asked, figures)))
        return out.getvalue(), count
    now, before = read_from_replica(lambda: (_rows(asked, figures), _rows_before(asked, figures)))
    return _drawn(asked, kind, now, before), len(now)


def workbook_of(asked: Asked) -> IO[bytes]:
    """The whole workbook as a file without a name on the disk, at its beginning. Raises TooManyRows."""
    from .xlsx import workbook_file  # as above

    return workbook_file(asked.report, asked.scope, read_from_replica(lambda: _rows(asked, reckoned_whole)))


def csv_of(asked: Asked) -> Iterator[bytes]:
    """The lines of the file in pieces; the first is made at once, so that what fails there is answered as that."""
    return _begun(_pieces(telling.as_csv(asked, found_for(asked))))


def file_name(report: str, since: dt.date, until: dt.date, kind: str) -> str:
    """Of the key of the report, its days and the format."""
    return f"{report}_{since}_{until}.{kind}"


def headers_of(name: str, *, is_saved: bool = True) -> dict[str, str]:
    """For an answer that is a file; ``is_saved`` by a browser, or shown at its place."""
    return {
        "Content-Disposition": f'{"attachment" if is_saved else "inline"}; filename="{name}"',
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": "no-store",
    }


def _rows(asked: Asked, figures: Figures) -> list[Row]:
    return list(figures(asked.report, asked.scope))


def _rows_before(asked: Asked, figures: Figures) -> list[Row]:
    return list(figures(asked.report, asked.earlier)) if asked.earlier is not None else []


def _pieces(lines: Iterator[str]) -> Iterator[bytes]:
    """Lines put together, so that not each is sent on its own."""
    held: list[str] = []
    size = 0
    for line in lines:
        held.append(line)
        size += len(line)
        if size >= PIECE:
            yield "".join(held).encode()
            held, size = [], 0
    yield "".join(held).encode()


def _begun(pieces: Iterator[bytes]) -> Iterator[bytes]:
    first = next(pieces)

    def all_of_them() -> Iterator[bytes]:
        yield first
        yield from pieces

    return all_of_them()


def _json(asked: Asked, found: Found) -> bytes:
    """What the API answers: a test compares the two."""
    report = asked.report
    shown = {
        "key": report.key,
        "title": report.title,
        "purpose": report.purpose,
        "columns": [asdict(column) for column in report.columns],
        "groupings": list(report.groupings),
        "reconciled_with": report.reconciled_with,
        "is_heavy": report.is_heavy,
    }
    whole = {**telling.as_body(asked, found), "report": shown}
    return json.dumps(whole, ensure_ascii=False, default=_day).encode()


def _day(value: Any) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} is no value of a report")


def _csv(asked: Asked, found: Found) -> bytes:
    return "".join(telling.as_csv(asked, found)).encode()


def _drawn(asked: Asked, kind: str, now: list[Row], before: list[Row]) -> bytes:
    from .charts import Comparison, chart_png, chart_svg  # with it comes matplotlib, which every start would wait for

    earlier = Comparison(asked.earlier, before) if asked.earlier is not None else None
    if kind == Format.PNG:
        return chart_png(asked.report, asked.scope, now, earlier)
    return chart_svg(asked.report, asked.scope, now, earlier).encode()
