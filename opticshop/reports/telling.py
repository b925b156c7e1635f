"""A report as the API and files tell it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from opticshop.core.csv_text import lines
from opticshop.core.money import rounded

from .asking import Asked
from .comparing import Found, change, records_behind
from .registry import TOTAL, Column, Report, Row, Scope


def as_body(asked: Asked, found: Found) -> dict[str, Any]:
    """In the shape of ``ReportAnswerOut``."""
    report, scope = asked.report, asked.scope
    return {
        "report": report,
        "period": _period(scope),
        "compared_with": _period(asked.earlier) if asked.earlier else None,
        "by": scope.by,
        "branches": [branch.code for branch in scope.branches],
        "rows": [_row(report, scope, now, before, scope.by) for now, before in found.rows],
        "totals": [_row(report, scope, now, before, TOTAL) for now, before in found.totals],
    }


def as_csv(asked: Asked, found: Found) -> Iterator[str]:
    """Lines of a file: a heading of keys, a row a group (and currency), then the totals."""
    report, scope = asked.report, asked.scope
    has_currency = any(column.kind == "money" for column in report.columns)
    before = asked.earlier is not None
    heading = [scope.by, *(["currency"] if has_currency else []), *(column.key for column in report.columns)]
    heading += [f"{column.key} before" for column in report.columns] if before else []

    def cells(label: Any, now: Row, then: Row | None) -> list[Any]:
        told = [label, *([now.get("currency")] if has_currency else [])]
        told += [value_of(column, now) for column in report.columns]
        return told + ([value_of(column, then or {}) for column in report.columns] if before else [])

    def rows() -> Iterator[list[Any]]:
        for now, then in found.rows:
            yield cells(now.get(scope.by), now, then)
        for now, then in found.totals:
            yield cells(TOTAL, now, then)

    return lines(heading, rows())


def value_of(column: Column, row: Row) -> Any:
    """As it is told: money rounded to the units of its currency, all other values as they were counted."""
    value = row.get(column.key)
    if value is not None and column.kind == "money":
        return rounded(value, row["currency"])
    return value


def _row(report: Report, scope: Scope, now: Row, before: Row | None, by: str) -> dict[str, Any]:
    values = {column.key: value_of(column, now) for column in report.columns}
    then = {column.key: value_of(column, before) for column in report.columns} if before else None
    return {
        "group": now.get(by),
        "currency": now.get("currency"),
        "values": {key: _plain(value) for key, value in values.items()},
        "before": then and {key: _plain(value) for key, value in then.items()},
        "change": then
        and {
            column.key: risen and {name: _plain(each) for name, each in risen.items()}
            for column in report.columns
            for risen in [change(column.kind, values[column.key], then[column.key])]
        },
        "records": records_behind(report, scope, now),
    }


def _plain(value: Any) -> Any:
    """Decimals as text, as everywhere in this API; days as ISO 8601."""
    return value if value is None or isinstance(value, int | str) else str(value)


def _period(scope: Scope) -> dict[str, Any]:
    return {"from": scope.since, "to": scope.until}
