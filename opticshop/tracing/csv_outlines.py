"""Outlines from a table (RFC 4180): radii or points, with a head row that names the columns.

``radius_mm``, with ``angle_deg`` unless the angles are equal from 0 on, or ``x_mm`` and ``y_mm``; all seen from the
front, x to the right, y up, in millimetres with a decimal point. A column ``eye`` (right or left) holds both in one
file; without it the caller says which eye it is.
"""

from __future__ import annotations

import csv
import io
import math
import re

from opticshop.optics.eyes import Eye

from .errors import Problem, TraceError
from .records import LARGEST_FILE_BYTES
from .shapes import (
    FEWEST_POINTS,
    LARGEST_RADIUS_MM,
    MOST_POINTS,
    SMALLEST_RADIUS_MM,
    Note,
    Shape,
    Trace,
    lens_shape,
    outline_of_points,
    outline_of_radii,
)

_EYES = {"right": Eye.RIGHT, "left": Eye.LEFT}
_SETS = (("radius_mm",), ("angle_deg", "radius_mm"), ("x_mm", "y_mm"))
_NUMBER = re.compile(r"[+-]?(\d{1,6}(\.\d{0,9})?|\.\d{1,9})")
_MOST_PROBLEMS = 20


def read_csv_outlines(content: bytes, *, eye: Eye = Eye.RIGHT) -> Trace:
    """The outlines in the table; ``eye`` is whose outline it is where no column says so. Raises TraceError."""
    rows = _rows(content)
    columns = [cell.strip().lower() for cell in rows[0][1]] if rows else []
    wanted = tuple(column for column in columns if column != "eye")
    names = next((names for names in _SETS if sorted(names) == sorted(wanted)), None)
    if names is None or columns.count("eye") > 1:
        known = ", or ".join(" and ".join(names) for names in _SETS)
        raise TraceError(f"the head row must name the columns {known}, and may name eye", line=1)
    places = {name: columns.index(name) for name in columns}
    problems: list[Problem] = []
    found: dict[Eye, list[tuple[float, ...]]] = {}
    first: dict[Eye, int] = {}
    for line, row in rows[1:]:
        if not any(cell.strip() for cell in row):
            continue
        read = _row(line, row, places, names, eye, problems)
        if read is not None:
            found.setdefault(read[0], []).append(read[1])
            first.setdefault(read[0], line)
        if len(problems) >= _MOST_PROBLEMS:
            break
    if problems:
        raise TraceError(problems)
    if not found:
        raise TraceError("the table has no rows below its head")
    shapes: dict[Eye, Shape] = {}
    notes: list[Note] = []
    for side, values in found.items():
        shapes[side], more = _shape(side, names, values, first[side])
        notes += more
    return Trace(shapes, notes=tuple(notes))


def _rows(content: bytes) -> list[tuple[int, list[str]]]:
    if len(content) > LARGEST_FILE_BYTES:
        raise TraceError(f"the file has {len(content)} bytes; at most {LARGEST_FILE_BYTES} are read")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise TraceError(f"the byte 0x{content[error.start]:02X} is not UTF-8 text", line=line) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = []
    try:
        for row in reader:
            rows.append((reader.line_num, row))
            if len(rows) > 2 * MOST_POINTS + 1:
                raise TraceError(f"at most {MOST_POINTS} points an eye are read", line=reader.line_num)
    except csv.Error as error:
        raise TraceError(f"not a table of comma-separated values: {error}", line=reader.line_num) from error
    return rows


def _row(
    line: int, row: list[str], places: dict[str, int], names: tuple[str, ...], eye: Eye, problems: list[Problem]
) -> tuple[Eye, tuple[float, ...]] | None:
    if len(row) != len(places):
        problems.append(Problem(f"{len(row)} cells where the head row has {len(places)}", line))
        return None
    if "eye" in places:
        name = row[places["eye"]].strip().lower()
        if name not in _EYES:
            problems.append(Problem(f"'{name[:20]}' is neither right nor left", line, "eye"))
            return None
        eye = _EYES[name]
    values = []
    for name in names:
        cell = row[places[name]].strip()
        if not _NUMBER.fullmatch(cell):
            problems.append(Problem(f"'{cell[:20]}' is not a number with a decimal point", line, name))
            return None
        values.append(float(cell))
    radius = values[-1] if "radius_mm" in names else math.hypot(*values)
    if "radius_mm" in names and not SMALLEST_RADIUS_MM <= radius <= LARGEST_RADIUS_MM:
        reason = f"{radius:g} mm; a lens shape keeps within {SMALLEST_RADIUS_MM:g} and {LARGEST_RADIUS_MM:g} mm"
        problems.append(Problem(reason, line, "radius_mm"))
        return None
    return eye, tuple(values)


def _shape(eye: Eye, names: tuple[str, ...], values: list[tuple[float, ...]], line: int) -> tuple[Shape, list[Note]]:
    fewest = FEWEST_POINTS if "radius_mm" in names else 3
    if not fewest <= len(values) <= MOST_POINTS:
        raise TraceError(f"{len(values)} rows for this outline; {fewest} to {MOST_POINTS} are read", line=line)
    if names == ("x_mm", "y_mm"):
        outline = outline_of_points(values, line=line, label="x_mm, y_mm")
    else:
        radii = [row[-1] for row in values]
        angles = [row[0] for row in values] if names[0] == "angle_deg" else None
        outline = outline_of_radii(radii, angles, line=line, label=names[0])
    return lens_shape(eye, outline, line=line, label=names[-1])
