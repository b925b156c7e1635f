"""The file of a report in each format. JSON and CSV are those of the API; each is reckoned with the same functions."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from opticshop.core.errors import Invalid
from opticshop.core.replica import read_from_replica

from . import telling
from .asking import Asked
from .comparing import Found, found_for
from .models import Format
from .registry import TOTAL, Report, Row

CONTENT_TYPES: dict[str, str] = {
    Format.JSON: "application/json",
    Format.CSV: "text/csv; charset=utf-8",
    Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Format.SVG: "image/svg+xml",
    Format.PNG: "image/png",
}


class FormatNotOffered(Invalid):
    """The report has no chart: ask for its rows."""

    code = "reports.format_not_offered"
    title = "The report is not made in this format"


def refuse_format(report: Report, kind: str) -> None:
    """Raises FormatNotOffered."""
    if kind in (Format.SVG, Format.PNG) and report.chart is None:
        formats = [str(each) for each in (Format.JSON, Format.CSV, Format.XLSX)]
        raise FormatNotOffered(f"{report.key} has no chart.", field="format", allowed=formats)


def written(asked: Asked, kind: str, reckoned: Callable[[], None] = lambda: None) -> tuple[bytes, int]:
    """The bytes of the file and the number of its rows; ``reckoned`` is called once the figures are there.

    Raises NoChart, TooManyRows.
    """
    if kind in (Format.JSON, Format.CSV):
        found = found_for(asked)
        reckoned()
        rows = len(found.totals if asked.scope.by == TOTAL else found.rows)
        return (_json if kind == Format.JSON else _csv)(asked, found), rows
    now, before = read_from_replica(lambda: _rows(asked))
    reckoned()
    if kind == Format.XLSX:
        from .xlsx import write_workbook  # loaded with the first workbook, not with every start

        out = io.BytesIO()
        count = write_workbook(out, asked.report, asked.scope, now)
        return out.getvalue(), count
    return _drawn(asked, kind, now, before), len(now)


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


def _rows(asked: Asked) -> tuple[list[Row], list[Row]]:
    before = asked.report.figures(asked.earlier) if asked.earlier is not None else []
    return list(asked.report.figures(asked.scope)), list(before)


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
