"""What can be measured on a face, as one table of bounds with their sources.

Lengths in mm, angles in degrees. PD is measured from the middle of the bridge to the pupil centre, per eye, or between
the pupil centres. Heights are above the lowest tangent of the box of the frame that was worn.
"""

from __future__ import annotations

from decimal import Decimal as D

from .bounds import Bounds, Confidence

_PD_SURVEY = "N. Dodgson, survey of interpupillary distance, 2004: most 50 to 75, almost all 45 to 80"
_PD_CHILD = "N. Dodgson, 2004: least about 40; by age from memory; upper limit common practice, no source"
_DISPENSING = "D. Meister, progressive lens dispensing notes, 2008"
_HIGH, _MEDIUM = Confidence.HIGH, Confidence.MEDIUM


def _pd(usual: str, low: int, high: int, reject_low: int, source: str, confidence: Confidence) -> Bounds:
    return Bounds(
        quantity="distance PD",
        unit="mm",
        usual=usual,
        question_below=D(low),
        question_above=D(high),
        reject_below=D(reject_low),
        reject_above=D(85),
        source=source,
        confidence=confidence,
    )


#: (ages from, below; row). Below 5 years nothing was found; the youngest row asks there too.
PD_BY_AGE: tuple[tuple[int, int, Bounds], ...] = (
    #                 usual                         question     reject below (above: 85)
    (0, 8, _pd("about 50 at 5 years", 43, 60, 35, _PD_CHILD, _MEDIUM)),
    (8, 16, _pd("about 55 to 57 at 10 years", 43, 70, 35, _PD_CHILD, _MEDIUM)),
    (16, 200, _pd("54 to 74, mean about 63", 50, 75, 40, _PD_SURVEY, _HIGH)),
)
#: Without a birth date: asked about like an adult's, refused only where a child's would be.
PD_AGE_UNKNOWN = _pd("54 to 74 in adults", 50, 75, 35, _PD_SURVEY, _HIGH)

PD_DIFFERENCE = Bounds(
    quantity="difference between the monocular PDs",
    unit="mm",
    usual="each 25 to 38",
    question_above=D(4),
    reject_above=D(8),
    source="from memory",
    confidence=_MEDIUM,
    limits_confidence=_MEDIUM,
)
NEAR_PD_REDUCTION = Bounds(
    quantity="distance PD less near PD",
    unit="mm",
    usual="3 to 4 at 40 cm",
    question_below=D(1),
    question_above=D(6),
    reject_below=D("-0.5"),
    reject_above=D(15),
    source="geometry of convergence, from memory; 15 is beyond a task at 10 cm",
    confidence=_HIGH,
    limits_confidence=_HIGH,
)
#: Refused above the boxed height of the frame. A bifocal segment or a lens for one distance may well lie elsewhere.
HEIGHT = Bounds(
    quantity="fitting height",
    unit="mm",
    usual="18 to 24 for a varifocal",
    question_below=D(16),
    reject_below=D(1),
    source=f"{_DISPENSING} (least 18)",
    confidence=_HIGH,
)
HEIGHT_DIFFERENCE = Bounds(
    quantity="difference between the heights",
    unit="mm",
    usual="unequal per eye",
    question_above=D(2),
    source="from memory",
    confidence=_MEDIUM,
    limits_confidence=_MEDIUM,
)
VERTEX_DISTANCE = Bounds(
    quantity="vertex distance",
    unit="mm",
    usual="12 to 14",
    question_below=D(12),
    question_above=D(15),
    reject_below=D(5),
    reject_above=D(25),
    source=_DISPENSING,
    confidence=_HIGH,
    limits_confidence=_HIGH,
)
PANTOSCOPIC = Bounds(
    quantity="pantoscopic tilt",
    unit="degrees",
    usual="8 to 12; at least about 7 for varifocals",
    question_below=D(0),
    question_above=D(15),
    reject_below=D(-10),
    reject_above=D(30),
    source=f"{_DISPENSING} (at least 7); limits from memory",
    confidence=_HIGH,
    limits_confidence=_MEDIUM,
)
WRAP = Bounds(
    quantity="face-form angle",
    unit="degrees",
    usual="0 to 8, about 5",
    question_below=D(0),
    question_above=D(15),
    reject_below=D(-10),
    reject_above=D(35),
    source="from memory; lower limits common practice, no source",
    confidence=_MEDIUM,
    limits_confidence=_MEDIUM,
)
#: Monocular values must add up to the binocular one.
ADDING_UP = Bounds(
    quantity="monocular PDs added up, less the binocular PD",
    unit="mm",
    usual="within 0.5 to 1",
    reject_below=D(-1),
    reject_above=D(1),
    source="from memory",
    confidence=_HIGH,
    limits_confidence=_HIGH,
)


def pd_bounds(age: int | None) -> Bounds:
    """The row for the binocular distance PD at an age in completed years."""
    for from_age, below_age, row in PD_BY_AGE:
        if age is not None and from_age <= age < below_age:
            return row
    return PD_AGE_UNKNOWN
