"""What invented data are drawn from. Each figure says where it is from and how sure it is (H, M, L).

Most stand on no published table that we read: they are good enough to load a database, and no statement about people.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

Value = TypeVar("Value")

COMMON = "common practice, no source"
MEMORY = "from memory"


@dataclass(frozen=True)
class Figure(Generic[Value]):
    """A value that is drawn with, where it is from, and how sure it is: H, M or L."""

    value: Value
    source: str
    confidence: str


# Ages: (from year, up to and not including, share)
AGES = Figure(
    ((5, 16, 0.09), (16, 30, 0.14), (30, 45, 0.19), (45, 60, 0.26), (60, 75, 0.22), (75, 95, 0.10)), COMMON, "L"
)

# Right eye, spherical power in dioptres: (share, mean, standard deviation), by the age from which they hold
SPHERE = Figure(
    (
        (5, ((0.70, 0.25, 0.90), (0.30, -2.00, 1.60))),
        (16, ((0.52, -0.25, 0.80), (0.40, -3.00, 1.90), (0.08, 2.50, 1.60))),
        (45, ((0.50, 0.50, 1.00), (0.30, -2.75, 2.00), (0.20, 2.25, 1.40))),
        (60, ((0.60, 1.00, 1.20), (0.22, -2.50, 2.20), (0.18, 2.75, 1.40))),
    ),
    COMMON,
    "L",
)
SPHERE_LIMITS_DPT = Figure((-12.0, 8.0), COMMON, "M")
SPHERE_BETWEEN_EYES_DPT = Figure(0.45, COMMON, "L")  # standard deviation of left minus right

# Cylinder, written as minus: share of eyes with one, and the mean of what goes beyond the smallest of 0.25
CYLINDER_SHARE = Figure(0.68, COMMON, "L")
CYLINDER_BEYOND_DPT = Figure(0.60, COMMON, "L")
CYLINDER_MOST_DPT = Figure(5.0, COMMON, "M")

# Axis: (share, middle in degrees, standard deviation); 180 wraps to 0
AXIS_YOUNG = Figure(((0.60, 180.0, 14.0), (0.18, 90.0, 14.0), (0.22, 45.0, 60.0)), COMMON, "L")
AXIS_OLD = Figure(((0.30, 180.0, 16.0), (0.46, 90.0, 16.0), (0.24, 45.0, 60.0)), COMMON, "L")
AXIS_OLD_FROM_AGE = Figure(60, COMMON, "L")

# Addition: what 40 cm asks for, less half of Hofstetter's average amplitude 18.5 - 0.3 x age
AMPLITUDE_DPT = Figure((18.5, 0.3), f"Hofstetter's average amplitude of accommodation, {MEMORY}", "M")
NEAR_DISTANCE_M = Figure(0.40, COMMON, "M")
ADDITION_SPREAD_DPT = Figure(0.20, COMMON, "L")
ADDITION_LIMITS_DPT = Figure((0.75, 3.00), f"{COMMON}; an addition is usually 0.75 to 3.50", "M")

POWER_STEP_DPT = Figure(0.25, "reference/trade.md, section 1: powers are normally written in steps of 0.25", "H")

# Pupillary distance of adults: mean and standard deviation; almost all adults lie within the limits
PD_ADULT_MM = Figure((63.0, 3.5), "mean: Dodgson, 2004 (reference/trade.md, PDX); deviation: the brief, no source", "M")
PD_LIMITS_MM = Figure((45.0, 80.0), "Dodgson, 2004: almost all adults (reference/trade.md, PDX)", "H")
# Children: mean by age, straight between
PD_CHILD_MM = Figure(((5, 50.0), (10, 56.0), (16, 61.0)), f"reference/trade.md, section 2, to 10 years; {MEMORY}", "M")
PD_BETWEEN_EYES_MM = Figure(0.8, COMMON, "L")  # standard deviation of right minus left
