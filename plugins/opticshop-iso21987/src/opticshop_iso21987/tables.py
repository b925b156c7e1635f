"""The limits of ISO 21987 as data.

Powers and prisms in D and prism dioptres, absolute values. Sources are named in words; "from memory" means
that no page read shows the number. Table and clause names are from memory throughout.
"""

from __future__ import annotations

from opticshop.plugin_api import Confidence
from opticshop.plugin_api.tolerance_kit import LimitGrid, LimitTable, Row, fixed_limit, grid_row, row

MEMORY = Confidence.FROM_MEMORY
PARTLY = Confidence.PARTLY_CONFIRMED
DOUBTFUL = Confidence.DOUBTFUL

FROM_MEMORY = "ISO 21987:2017, from memory, unconfirmed"
PLANO = "ISO 21987:2017, from memory; a page quoting GB 10810.1 shows 0.12 and 0.09 for plano"
TEN_DIOPTRES = "ISO 21987:2017, from memory; an article on GB 10810.1 shows 0.18 and 0.12 for a 10.00 D sphere"
AXIS_1999 = "ISO 21987:2017, from memory; an article on GB 13511-1999 shows 4 at 1.00 D and 3 at 2.50 D"
AXIS_1992 = "ISO 21987:2017, from memory; slides on GB 13511-1992 show 3 to 2.50 D and 2 from 2.75 D"
THICKNESS = "ISO 21987:2017, from memory; an extract of ISO 8980-1:2004 shows 0.3 mm"

HIGHEST = "highest absolute principal power"
CYLINDER = "absolute cylinder"


# Table 1, column A: single-vision and multifocal, each principal meridian
MERIDIANS = LimitTable(
    parameter="power_m1 and power_m2",
    unit="D",
    by=HIGHEST,
    clause="Table 1, each meridian",
    source=FROM_MEMORY,
    rows=(
        row(None, "3.00", "0.12", PARTLY, PLANO),
        row("3.00", "6.00", "0.12"),
        row("6.00", "9.00", "0.12"),
        row("9.00", "12.00", "0.18", PARTLY, TEN_DIOPTRES),
        row("12.00", "20.00", "0.25"),
        row("20.00", None, "0.37"),
    ),
)


def _columns(first: Row | str, second: str, third: str, fourth: str | None) -> tuple[Row, ...]:
    """Cylinder up to 0.75, up to 4.00, up to 6.00, above."""
    return (
        first if isinstance(first, Row) else row(None, "0.75", first),
        row("0.75", "4.00", second),
        row("4.00", "6.00", third),
        row("6.00", None, fourth),
    )


# Table 1, columns B: the cylinder. Above 6.00 D it cannot occur in the first row.
CYLINDERS = LimitGrid(
    parameter="cylinder",
    unit="D",
    by_row=HIGHEST,
    by_column=CYLINDER,
    clause="Table 1, cylinder",
    source=FROM_MEMORY,
    rows=(
        grid_row(None, "3.00", *_columns(row(None, "0.75", "0.09", PARTLY, PLANO), "0.12", "0.18", None)),
        grid_row("3.00", "6.00", *_columns("0.12", "0.12", "0.18", "0.25")),
        grid_row("6.00", "9.00", *_columns("0.12", "0.18", "0.18", "0.25")),
        grid_row("9.00", "12.00", *_columns(row(None, "0.75", "0.12", PARTLY, TEN_DIOPTRES), "0.18", "0.25", "0.25")),
        grid_row("12.00", "20.00", *_columns("0.18", "0.25", "0.25", "0.25")),
        grid_row("20.00", None, *_columns("0.25", "0.25", "0.37", "0.37")),
    ),
)

# Table 2, column A: power-variation lenses, at the primary reference point
VARIATION_MERIDIANS = LimitTable(
    parameter="power_m1 and power_m2",
    unit="D",
    by=HIGHEST,
    clause="Table 2, each meridian",
    source=FROM_MEMORY,
    rows=(
        row(None, "6.00", "0.12"),
        row("6.00", "9.00", "0.18"),
        row("9.00", "12.00", "0.18"),
        row("12.00", "20.00", "0.25"),
        row("20.00", None, "0.37"),
    ),
)

VARIATION_CYLINDERS = LimitGrid(
    parameter="cylinder",
    unit="D",
    by_row=HIGHEST,
    by_column=CYLINDER,
    clause="Table 2, cylinder",
    source=FROM_MEMORY,
    rows=(
        grid_row(None, "6.00", *_columns("0.12", "0.18", "0.18", "0.25")),
        grid_row("6.00", "9.00", *_columns("0.18", "0.18", "0.18", "0.25")),
        grid_row("9.00", "12.00", *_columns("0.18", "0.18", "0.25", "0.25")),
        grid_row("12.00", "20.00", *_columns("0.18", "0.25", "0.25", "0.25")),
        grid_row("20.00", None, *_columns("0.25", "0.25", "0.37", "0.37")),
    ),
)

_AXIS_FROM_0_25 = (
    row("0.25", "0.50", "9"),
    row("0.50", "0.75", "6"),
    row("0.75", "1.50", "4", PARTLY, AXIS_1999),
    row("1.50", "2.50", "3", PARTLY, AXIS_1999),
    row("2.50", None, "2", PARTLY, AXIS_1992),
)

AXIS_2017 = LimitTable(
    parameter="axis",
    unit="°",
    by=CYLINDER,
    clause="Table 3",
    source=FROM_MEMORY,
    rows=(row(None, "0.125", None), row("0.125", "0.25", "16"), *_AXIS_FROM_0_25),
)

AXIS_2009 = LimitTable(
    parameter="axis",
    unit="°",
    by=CYLINDER,
    clause="Table 3",
    source="ISO 21987:2009, from memory, unconfirmed",
    rows=(row(None, "0.25", "16"), *_AXIS_FROM_0_25),
)

ADDITION = LimitTable(
    parameter="add",
    unit="D",
    by="ordered addition",
    clause="variation power",
    source="ISO 21987:2017, from memory; ANSI Z80.1 has the same numbers",
    rows=(row(None, "4.00", "0.12"), row("4.00", None, "0.18")),
)

ORDERED_PRISM = "ordered prism"


def _scaled(edge: str, fixed: str, beyond: str, per_dioptre: str) -> tuple[Row, Row]:
    """A fixed limit up to `edge` of the highest power, beyond it one that grows with that power."""
    return row(None, edge, fixed), row(edge, None, beyond, per_unit=per_dioptre)


# Relative prism of the pair. "0.2 x highest power" is the effect of 2.0 mm, "0.1 x" that of 1.0 mm.
PRISM_HORIZONTAL = LimitGrid(
    parameter="prism_horizontal",
    unit="Δ",
    by_row=ORDERED_PRISM,
    by_column="highest principal power of the pair",
    scaled_by="highest principal power",
    clause="prism imbalance table, horizontal",
    source=FROM_MEMORY + "; GB 13511.1-2011, a modified adoption of the draft, agrees (from memory)",
    rows=(
        grid_row(None, "2.00", *_scaled("3.25", "0.67", "0", "0.2")),
        grid_row("2.00", "10.00", *_scaled("3.25", "1.00", "0.33", "0.2")),
        grid_row("10.00", None, *_scaled("3.25", "1.25", "0.58", "0.2")),
    ),
)

PRISM_VERTICAL = LimitGrid(
    parameter="prism_vertical",
    unit="Δ",
    by_row=ORDERED_PRISM,
    by_column="highest principal power of the pair",
    scaled_by="highest principal power",
    clause="prism imbalance table, vertical",
    source=PRISM_HORIZONTAL.source,
    rows=(
        grid_row(None, "2.00", *_scaled("5.00", "0.50", "0", "0.1")),
        grid_row("2.00", "10.00", *_scaled("5.00", "0.75", "0.25", "0.1")),
        grid_row("10.00", None, *_scaled("5.00", "1.00", "0.50", "0.1")),
    ),
)

SEGMENT_HEIGHT = fixed_limit("segment_height", "mm", "1.0", "segment position", MEMORY, FROM_MEMORY)
SEGMENT_HEIGHT_DIFFERENCE = fixed_limit(
    "segment_height_difference", "mm", "1.0", "segment position, ordered equal", MEMORY, FROM_MEMORY
)
SEGMENT_DISTANCE = fixed_limit(
    "segment_distance", "mm", "2.0", "segment position, total", DOUBTFUL, FROM_MEMORY + ", doubtful"
)
FITTING_POINT_HEIGHT = fixed_limit("fitting_point_height", "mm", "1.0", "fitting point", MEMORY, FROM_MEMORY)
FITTING_POINT_HEIGHT_DIFFERENCE = fixed_limit(
    "fitting_point_height_difference", "mm", "1.0", "fitting point, ordered equal", MEMORY, FROM_MEMORY
)
FITTING_POINT_DISTANCE = fixed_limit(
    "fitting_point_distance", "mm", "1.0", "fitting point, each eye", MEMORY, FROM_MEMORY
)
TILT = fixed_limit("tilt", "°", "2", "tilt of segment or permanent marks", MEMORY, FROM_MEMORY)
CENTRE_THICKNESS = fixed_limit("centre_thickness", "mm", "0.3", "thickness, if specified", PARTLY, THICKNESS)
