"""The limits of ANSI Z80.1-2015 as data.

Powers and prisms in D and prism dioptres, absolute values. "A state regulation" is 18VAC80-30-120 in its
current text, which prints the tables; the 2015 quick guide and a summary of the 2010 edition agree with it
where named.
"""

from __future__ import annotations

from opticshop.plugin_api import Confidence
from opticshop.plugin_api.tolerance_kit import LimitTable, fixed_limit, row

CONFIRMED = Confidence.CONFIRMED
MEMORY = Confidence.FROM_MEMORY

THREE = "18VAC80-30-120 (current text), the 2015 quick guide, a summary of Z80.1-2010"
REGULATION = "18VAC80-30-120 (current text)"
REGULATION_AND_GUIDE = "18VAC80-30-120 (current text), the 2015 quick guide"
SUMMARY = "a summary of Z80.1-2010"
EDITION_1999 = "a summary of Z80.1-1999"
FROM_MEMORY = "ANSI Z80.1-2015, from memory, unconfirmed"

SPHERE = LimitTable(
    parameter="sphere",
    unit="D",
    by="sphere in minus-cylinder form",
    scaled_by="ordered sphere",
    clause="Table 1",
    source=THREE,
    rows=(row(None, "6.50", "0.13", CONFIRMED), row("6.50", None, "0", CONFIRMED, per_unit="0.02")),
)

CYLINDER = LimitTable(
    parameter="cylinder",
    unit="D",
    by="absolute cylinder",
    scaled_by="ordered cylinder",
    clause="Table 1",
    source=THREE,
    rows=(
        row(None, "2.00", "0.13", CONFIRMED),
        row("2.00", "4.50", "0.15", CONFIRMED),
        row("4.50", None, "0", CONFIRMED, per_unit="0.04"),
    ),
)

PROGRESSIVE_SPHERE = LimitTable(
    parameter="sphere",
    unit="D",
    by="sphere in minus-cylinder form",
    scaled_by="ordered sphere",
    clause="Table 2, progressive",
    source=THREE,
    rows=(row(None, "8.00", "0.16", CONFIRMED), row("8.00", None, "0", CONFIRMED, per_unit="0.02")),
)

PROGRESSIVE_CYLINDER = LimitTable(
    parameter="cylinder",
    unit="D",
    by="absolute cylinder",
    scaled_by="ordered cylinder",
    clause="Table 2, progressive",
    source=THREE,
    rows=(
        row(None, "2.00", "0.16", CONFIRMED),
        row("2.00", "3.50", "0.18", CONFIRMED),
        row("3.50", None, "0", CONFIRMED, per_unit="0.05"),
    ),
)

AXIS = LimitTable(
    parameter="axis",
    unit="°",
    by="absolute cylinder",
    clause="Table 3",
    source=THREE,
    rows=(
        row(None, "0.12", None, CONFIRMED, includes_up_to=False),
        row("0.12", "0.25", "14", CONFIRMED, includes_over=True),
        row("0.25", "0.50", "7", CONFIRMED),
        row("0.50", "0.75", "5", CONFIRMED),
        row("0.75", "1.50", "3", CONFIRMED),
        row("1.50", None, "2", CONFIRMED),
    ),
)

ADDITION = LimitTable(
    parameter="add",
    unit="D",
    by="ordered addition",
    clause="Table 4",
    source="the 2015 quick guide, summaries of Z80.1-2010 and Z80.1-1999",
    rows=(row(None, "4.00", "0.12", CONFIRMED), row("4.00", None, "0.18", CONFIRMED)),
)

# One lens: passes by the prism or by the place of its reference point
REFERENCE_POINT_PRISM = fixed_limit(
    "prism_reference_point", "Δ", "0.33", "single lens, prism", CONFIRMED, REGULATION_AND_GUIDE
)
REFERENCE_POINT_PLACE = fixed_limit(
    "prism_reference_point", "mm", "1.0", "single lens, or place", CONFIRMED, REGULATION_AND_GUIDE
)

# The pair. Powers are those along the direction judged; above the edge the place counts instead of the prism.
HORIZONTAL_EDGE = "2.75"
PROGRESSIVE_HORIZONTAL_EDGE = "3.375"
VERTICAL_EDGE = "3.375"

_IMBALANCE = "prism imbalance table"
PRISM_HORIZONTAL = fixed_limit(
    "prism_horizontal", "Δ", "0.67", f"{_IMBALANCE}, horizontal, low power", CONFIRMED, THREE
)
PRISM_VERTICAL = fixed_limit("prism_vertical", "Δ", "0.33", f"{_IMBALANCE}, vertical, low power", CONFIRMED, THREE)
CENTRE_DISTANCE = fixed_limit(
    "centre_distance", "mm", "2.5", f"{_IMBALANCE}, horizontal, high power, total", CONFIRMED, THREE
)
PROGRESSIVE_CENTRE_DISTANCE = fixed_limit(
    "centre_distance", "mm", "1.0", f"{_IMBALANCE}, progressive, high power, each eye", CONFIRMED, REGULATION
)
CENTRE_HEIGHT_DIFFERENCE = fixed_limit(
    "centre_height_difference", "mm", "1.0", f"{_IMBALANCE}, vertical, high power", CONFIRMED, THREE
)

SEGMENT_HEIGHT = fixed_limit("segment_height", "mm", "1.0", "segment height", CONFIRMED, f"{REGULATION}, {SUMMARY}")
SEGMENT_HEIGHT_DIFFERENCE = fixed_limit(
    "segment_height_difference", "mm", "1.0", "segment height, ordered equal", CONFIRMED, SUMMARY
)
SEGMENT_DISTANCE = fixed_limit(
    "segment_distance", "mm", "2.5", "segment location, total", CONFIRMED, f"{SUMMARY}, an earlier 18VAC80-30-120"
)
TILT = fixed_limit("tilt", "°", "2", "segment tilt", CONFIRMED, SUMMARY)
PROGRESSIVE_TILT = fixed_limit("tilt", "°", "2", "tilt of the marks", MEMORY, FROM_MEMORY)
FITTING_POINT_HEIGHT = fixed_limit(
    "fitting_point_height", "mm", "1.0", "fitting cross height", MEMORY, f"{FROM_MEMORY}; {EDITION_1999}"
)
FITTING_POINT_HEIGHT_DIFFERENCE = fixed_limit(
    "fitting_point_height_difference", "mm", "1.0", "fitting cross height, ordered equal", MEMORY, FROM_MEMORY
)
FITTING_POINT_DISTANCE = fixed_limit(
    "fitting_point_distance", "mm", "1.0", "fitting cross, each eye", MEMORY, FROM_MEMORY
)
CENTRE_THICKNESS = fixed_limit("centre_thickness", "mm", "0.3", "thickness, if specified", CONFIRMED, EDITION_1999)
