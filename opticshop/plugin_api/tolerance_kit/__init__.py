"""Tools for writing a tolerance standard as tables of data.

`tables` hold limits with their clause, confidence and source. A `Judge` turns deviations into verdict lines,
with or without a guard band. `lens_checks` and `pair_prism` are the comparisons that standards share. A
`TableStandard` puts them together: a standard supplies its tables, `judge_lens` and, if it judges mounted
pairs, `judge_pair`.
"""

from __future__ import annotations

from .judge import Judge, tightened, verdict_of
from .lens_checks import (
    check_addition,
    check_axis,
    check_height_difference,
    check_length,
    check_principal_powers,
    check_tilt,
    check_value,
    measured_power_like,
)
from .pair_prism import (
    MAX_POWER_DIFFERENCE_DPT,
    PrismReading,
    height_difference_error,
    horizontal_power_dpt,
    measured_centre_distance_mm,
    ordered_centre_distance_mm,
    relative_prism_horizontal,
    relative_prism_vertical,
    vertical_power_dpt,
)
from .standard import TableStandard
from .tables import Describes, Limit, LimitGrid, LimitTable, Row, fixed_limit, grid_row, row

__all__ = [
    "MAX_POWER_DIFFERENCE_DPT",
    "Describes",
    "Judge",
    "Limit",
    "LimitGrid",
    "LimitTable",
    "PrismReading",
    "Row",
    "TableStandard",
    "check_addition",
    "check_axis",
    "check_height_difference",
    "check_length",
    "check_principal_powers",
    "check_tilt",
    "check_value",
    "fixed_limit",
    "grid_row",
    "height_difference_error",
    "horizontal_power_dpt",
    "measured_centre_distance_mm",
    "measured_power_like",
    "ordered_centre_distance_mm",
    "relative_prism_horizontal",
    "relative_prism_vertical",
    "row",
    "tightened",
    "verdict_of",
    "vertical_power_dpt",
]
