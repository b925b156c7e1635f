"""Limits as data: rows that know their clause, how well they are known, and where they were read.

Rows are selected and checked for gaps and overlaps by `opticshop.optics.conformity`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Protocol

from opticshop.optics.conformity import Band, BandGrid, BandTable, Confidence, Exact, GridRow, exact

from ..tolerances import LimitDescription


@dataclass(frozen=True, slots=True)
class Limit:
    """A limit that has been looked up. `value` is symmetric and inclusive; None when none is stated."""

    value: Decimal | None
    clause: str
    confidence: Confidence
    source: str


@dataclass(frozen=True, slots=True)
class Row(Band):
    """A band of a tolerance table with the source of its limit."""

    source: str = ""


def row(
    over: str | None,
    up_to: str | None,
    limit: str | None,
    confidence: Confidence = Confidence.FROM_MEMORY,
    source: str = "",
    *,
    per_unit: str = "0",
    includes_over: bool = False,
    includes_up_to: bool = True,
) -> Row:
    """A row above `over`, up to and including `up_to`; its clause and a missing source come from the table.

    `limit` None: the standard states none here. The limit is `limit + per_unit x` the table's `scaled_by`.
    """
    return Row(
        None if over is None else Decimal(over),
        None if up_to is None else Decimal(up_to),
        None if limit is None else Decimal(limit),
        "",
        confidence,
        Decimal(per_unit),
        includes_over,
        includes_up_to,
        source,
    )


class Describes(Protocol):
    """Anything that can list its limits for display."""

    def describe(self) -> Iterator[LimitDescription]: ...


@dataclass(frozen=True, slots=True)
class LimitTable:
    """A one-way table: `by` says what selects the row, `scaled_by` what a growing limit grows with."""

    parameter: str
    unit: str
    by: str
    clause: str
    source: str
    rows: tuple[Row, ...]
    scaled_by: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", _completed(self.rows, self.clause, self.source))
        BandTable(self.clause, self.rows)

    def limit_for(self, value: Exact, scale: Exact = 0) -> Limit:
        """The limit at an ordered value. Raises `opticshop.optics.errors.NoBand` outside the table."""
        return _looked_up(BandTable(self.clause, self.rows).band_for(value), scale)

    def describe(self) -> Iterator[LimitDescription]:
        for band in self.rows:
            yield _described(self.parameter, self.unit, f"{self.by} {_interval(band)}", band, self.scaled_by)


@dataclass(frozen=True, slots=True)
class LimitGrid:
    """A two-way table: `by_row` selects the row, `by_column` the column."""

    parameter: str
    unit: str
    by_row: str
    by_column: str
    clause: str
    source: str
    rows: tuple[GridRow, ...]
    scaled_by: str = ""

    def __post_init__(self) -> None:
        completed = tuple(
            replace(
                line,
                columns=BandTable(self.clause, _completed(line.columns.bands, self.clause, self.source)),
            )
            for line in self.rows
        )
        object.__setattr__(self, "rows", completed)
        BandGrid(self.clause, self.rows)

    def limit_for(self, row_value: Exact, column_value: Exact, scale: Exact = 0) -> Limit:
        """The limit at two ordered values. Raises `opticshop.optics.errors.NoBand` outside the table."""
        return _looked_up(BandGrid(self.clause, self.rows).band_for(row_value, column_value), scale)

    def describe(self) -> Iterator[LimitDescription]:
        for line in self.rows:
            for band in line.columns.bands:
                where = f"{self.by_row} {_interval(line.as_band())}, {self.by_column} {_interval(band)}"
                yield _described(self.parameter, self.unit, where, band, self.scaled_by)


def grid_row(over: str | None, up_to: str | None, *columns: Row) -> GridRow:
    """One row of a `LimitGrid`: its own interval (over, up_to] and its columns, ascending."""
    lower, upper = (None if edge is None else Decimal(edge) for edge in (over, up_to))
    return GridRow(lower, upper, BandTable(f"row {over} to {up_to}", columns))


def fixed_limit(parameter: str, unit: str, limit: str, clause: str, confidence: Confidence, source: str) -> LimitTable:
    """A table of one row that holds for every value."""
    return LimitTable(parameter, unit, "every value", clause, source, (row(None, None, limit, confidence),))


def _completed(bands: tuple[Band, ...], clause: str, source: str) -> tuple[Row, ...]:
    rows = []
    for band in bands:
        assert isinstance(band, Row)
        rows.append(replace(band, clause=band.clause or clause, source=band.source or source))
    return tuple(rows)


def _looked_up(band: Band, scale: Exact) -> Limit:
    assert isinstance(band, Row)
    return Limit(band.limit_for(exact(scale, "scale")), band.clause, band.confidence, band.source)


def _interval(band: Band) -> str:
    if band.over is None and band.up_to is None:
        return "any"
    words = []
    if band.over is not None:
        words.append(f"{'from' if band.includes_over else 'over'} {band.over}")
    if band.up_to is not None:
        words.append(f"{'to' if band.includes_up_to else 'below'} {band.up_to}")
    return " ".join(words)


def _described(parameter: str, unit: str, where: str, band: Band, scaled_by: str) -> LimitDescription:
    assert isinstance(band, Row)
    if band.limit is None:
        limit = "none stated"
    elif not band.per_unit:
        limit = str(band.limit)
    else:
        growing = f"{band.per_unit} x {scaled_by}"
        limit = growing if band.limit == 0 else f"{band.limit} + {growing}"
    return LimitDescription(
        parameter=parameter,
        band=where.removesuffix(" any"),
        limit=limit,
        unit=unit,
        clause=band.clause,
        confidence=band.confidence,
        source=band.source,
    )
