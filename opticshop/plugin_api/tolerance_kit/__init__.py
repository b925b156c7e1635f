"""Tools for writing a tolerance standard as tables of data.

`tables` hold limits with their clause, confidence and source. A `Judge` turns deviations into verdict lines,
with or without a guard band. `lens_checks` and `pair_prism` are the comparisons that standards share. A
`TableStandard` puts them together: a standard supplies its tables, `judge_lens` and, if it judges mounted
pairs, `judge_pair`.
"""

from __future__ import annotations

from .judge import Judge, tightened
from .lens_checks import check_addition, check_axis, check_length, check_principal_powers, check_value
from .pair_prism import (
    MAX_POWER_DIFFERENCE_DPT,
    PrismReading,
    horizontal_power_dpt,
    relative_prism_horizontal,
    relative_prism_vertical,
    vertical_power_dpt,
)
from .standard import TableStandard
from .tables import Limit, LimitGrid, LimitTable, Row, fixed_limit, grid_row, row

__all__ = [
    "MAX_POWER_DIFFERENCE_DPT",
    "Judge",
    "Limit",
    "LimitGrid",
    "LimitTable",
    "PrismReading",
    "Row",
    "TableStandard",
    "check_addition",
    "check_axis",
    "check_length",
    "check_principal_powers",
    "check_value",
    "fixed_limit",
    "grid_row",
    "horizontal_power_dpt",
    "relative_prism_horizontal",
    "relative_prism_vertical",
    "row",
    "tightened",
    "vertical_power_dpt",
]
