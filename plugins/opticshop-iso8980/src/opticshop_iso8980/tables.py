"""The limits of ISO 8980-1 and 8980-2 for uncut finished lenses as data.

Powers and prisms in D and prism dioptres, absolute values. "From memory" means that no page read shows the
number. Table and clause names are from memory throughout.
"""

from __future__ import annotations

from opticshop.plugin_api import Confidence
from opticshop.plugin_api.tolerance_kit import LimitGrid, LimitTable, Row, fixed_limit, grid_row, row

PARTLY = Confidence.PARTLY_CONFIRMED
CONFIRMED = Confidence.CONFIRMED

PART_1 = "ISO 8980-1:2017, from memory, unconfirmed"
PART_2 = "ISO 8980-2:2017, from memory, unconfirmed"
PLANO = "ISO 8980-1:2017, from memory; a page quoting GB 10810.1 shows 0.12 and 0.09 for plano"
TEN_DIOPTRES = "ISO 8980-1:2017, from memory; an article on GB 10810.1 shows 0.18 and 0.12 for a 10.00 D sphere"

HIGHEST = "highest absolute principal power"
CYLINDER = "absolute cylinder"


def _columns(first: Row | str, second: str, third: str, fourth: str | None) -> tuple[Row, ...]:
    """Cylinder up to 0.75, up to 4.00, up to 6.00, above."""
    return (
        first if isinstance(first, Row) else row(None, "0.75", first),
        row("0.75", "4.00", second),
        row("4.00", "6.00", third),
        row("6.00", None, fourth),
    )


MERIDIANS = LimitTable(
    parameter="power_m1 and power_m2",
    unit="D",
    by=HIGHEST,
    clause="8980-1, back vertex power, each meridian",
    source=PART_1,
    rows=(
        row(None, "3.00", "0.12", PARTLY, PLANO),
        row("3.00", "6.00", "0.12"),
        row("6.00", "9.00", "0.12"),
        row("9.00", "12.00", "0.18", PARTLY, TEN_DIOPTRES),
        row("12.00", "20.00", "0.25"),
        row("20.00", None, "0.37"),
    ),
)

# Above 6.00 D a cylinder cannot occur in the first row.
CYLINDERS = LimitGrid(
    parameter="cylinder",
    unit="D",
    by_row=HIGHEST,
    by_column=CYLINDER,
    clause="8980-1, back vertex power, cylinder",
    source=PART_1,
    rows=(
        grid_row(None, "3.00", *_columns(row(None, "0.75", "0.09", PARTLY, PLANO), "0.12", "0.18", None)),
        grid_row("3.00", "6.00", *_columns("0.12", "0.12", "0.18", "0.25")),
        grid_row("6.00", "9.00", *_columns("0.12", "0.18", "0.18", "0.25")),
        grid_row("9.00", "12.00", *_columns(row(None, "0.75", "0.12", PARTLY, TEN_DIOPTRES), "0.18", "0.25", "0.25")),
        grid_row("12.00", "20.00", *_columns("0.18", "0.25", "0.25", "0.25")),
        grid_row("20.00", None, *_columns("0.25", "0.25", "0.37", "0.37")),
    ),
)

VARIATION_MERIDIANS = LimitTable(
    parameter="power_m1 and power_m2",
    unit="D",
    by=HIGHEST,
    clause="8980-2, back vertex power, each meridian",
    source=PART_2,
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
    clause="8980-2, back vertex power, cylinder",
    source=PART_2,
    rows=(
        grid_row(None, "6.00", *_columns("0.12", "0.18", "0.18", "0.25")),
        grid_row("6.00", "9.00", *_columns("0.18", "0.18", "0.18", "0.25")),
        grid_row("9.00", "12.00", *_columns("0.18", "0.18", "0.25", "0.25")),
        grid_row("12.00", "20.00", *_columns("0.18", "0.25", "0.25", "0.25")),
        grid_row("20.00", None, *_columns("0.25", "0.25", "0.37", "0.37")),
    ),
)

AXIS = LimitTable(
    parameter="axis",
    unit="°",
    by=CYLINDER,
    clause="axis, uncut",
    source="ISO 8980-1 and -2:2017, from memory, unconfirmed; the 2004 edition had one band to 0.50 D",
    rows=(
        row(None, "0.125", None),
        row("0.125", "0.25", "14"),
        row("0.25", "0.50", "7"),
        row("0.50", "0.75", "5"),
        row("0.75", "1.50", "3"),
        row("1.50", None, "2"),
    ),
)

ADDITION = LimitTable(
    parameter="add",
    unit="D",
    by="ordered addition",
    clause="variation power",
    source="ISO 8980-1 and -2:2017, from memory, unconfirmed",
    rows=(row(None, "4.00", "0.12"), row("4.00", None, "0.18")),
)

_PRISM_SOURCE = "ISO 8980-1:2004 prism table, from memory, unconfirmed"

PRISM_HORIZONTAL = LimitTable(
    parameter="prism_horizontal",
    unit="Δ",
    by="ordered prism",
    scaled_by="highest principal power",
    clause="prism at the reference point, horizontal",
    source=_PRISM_SOURCE,
    rows=(
        row(None, "2.00", "0.25", per_unit="0.1"),
        row("2.00", "10.00", "0.37", per_unit="0.1"),
        row("10.00", None, "0.50", per_unit="0.1"),
    ),
)

PRISM_VERTICAL = LimitTable(
    parameter="prism_vertical",
    unit="Δ",
    by="ordered prism",
    scaled_by="highest principal power",
    clause="prism at the reference point, vertical",
    source=_PRISM_SOURCE,
    rows=(
        row(None, "2.00", "0.25", per_unit="0.05"),
        row("2.00", "10.00", "0.37", per_unit="0.05"),
        row("10.00", None, "0.50", per_unit="0.05"),
    ),
)

CENTRE_THICKNESS = fixed_limit(
    "centre_thickness",
    "mm",
    "0.3",
    "thickness at the reference point, if specified",
    CONFIRMED,
    "an extract of ISO 8980-1:2004",
)
