"""What sizes and powers of articles usually are: outside the usual a question is asked, outside the possible refused.

The table is data with its source and confidence, in the fields' own units; it is a net for slips of the finger, not a
standard. Nothing here is a limit of safety.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from opticshop.core.errors import Invalid

_FROM_MEMORY = "common practice, no source"


class Implausible(Invalid):
    """A value lies outside what any such article can be."""

    code = "catalogue.implausible"
    title = "The value cannot be right"


@dataclass(frozen=True, slots=True)
class Expectation:
    """The usual and the possible values of one field, both ends included."""

    field: str
    words: str
    unit: str
    usual: tuple[Decimal, Decimal]
    possible: tuple[Decimal, Decimal]
    source: str = _FROM_MEMORY
    confidence: str = "low"


@dataclass(frozen=True, slots=True)
class Question:
    """A value that is accepted but should be looked at again."""

    code: str
    field: str
    detail: str


def _row(field: str, words: str, unit: str, usual: str, possible: str, **basis: str) -> Expectation:
    (low, high), (least, most) = (map(Decimal, text.split(" to ")) for text in (usual, possible))
    return Expectation(field, words, unit, (low, high), (least, most), **basis)


#: Usual widths, depths and bridges and the possible width are medium, the other possible ends low.
FRAME = (
    _row("box_width_mm", "the boxed width A", "mm", "38 to 62", "25 to 75", confidence="medium"),
    _row("box_height_mm", "the boxed height B", "mm", "20 to 50", "10 to 75"),
    _row("bridge_mm", "the distance between the boxes DBL", "mm", "12 to 24", "5 to 40"),
    _row("effective_diameter_mm", "the effective diameter ED", "mm", "38 to 70", "25 to 110"),
    _row("side_length_mm", "the side length", "mm", "120 to 155", "60 to 200"),
)

LENS = (
    _row("index", "the refractive index", "", "1.49 to 1.9", "1.4 to 2"),
    _row("abbe", "the Abbe number", "", "30 to 60", "15 to 99"),
    _row("density_g_cm3", "the density", "g/cm3", "1 to 4.1", "0.8 to 7"),
    _row("transmittance_percent", "the luminous transmittance", "percent", "8 to 99.9", "0.1 to 100"),
    _row("diameter_mm", "the diameter", "mm", "55 to 80", "30 to 100"),
    _row("usable_diameter_mm", "the usable diameter", "mm", "50 to 80", "20 to 100"),
    _row("sphere_min_dpt", "the lowest sphere", "D", "-20 to 20", "-40 to 40"),
    _row("sphere_max_dpt", "the highest sphere", "D", "-20 to 20", "-40 to 40"),
    _row("cylinder_max_dpt", "the largest cylinder", "D", "0 to 6", "0 to 12"),
    _row("addition_min_dpt", "the lowest addition", "D", "0.5 to 1.5", "0.25 to 6"),
    _row("addition_max_dpt", "the highest addition", "D", "2 to 4", "0.25 to 6"),
    _row("power_step_dpt", "the power step", "D", "0.12 to 0.25", "0.01 to 1"),
    _row("minimum_fitting_height_mm", "the minimum fitting height", "mm", "12 to 22", "5 to 35"),
)

SURFACE = (
    _row("front_power_dpt", "the front surface power", "D", "0 to 12", "-20 to 25"),
    _row("centre_thickness_mm", "the least centre thickness", "mm", "1 to 4", "0.5 to 20"),
    _row("edge_thickness_mm", "the least edge thickness", "mm", "0.5 to 3", "0 to 10"),
)


def questions_about(
    values: Mapping[str, Any], expectations: Iterable[Expectation], *, at: str = ""
) -> Iterator[Question]:
    """A question for each unusual value; ``at`` is where the values lie in the request. Raises Implausible."""
    for each in expectations:
        value = values.get(each.field)
        if value is None:
            continue
        if not each.possible[0] <= value <= each.possible[1]:
            raise Implausible(
                f"{value} {each.unit} cannot be {each.words}.".replace("  ", " "),
                field=at + each.field,
                allowed=_span(each.possible, each.unit),
            )
        if not each.usual[0] <= value <= each.usual[1]:
            yield Question(
                "catalogue.unusual",
                at + each.field,
                f"Are you sure? {each.words[0].upper()}{each.words[1:]} is usually {_span(each.usual, each.unit)} "
                f"({each.source}; confidence {each.confidence}).",
            )


def _span(ends: tuple[Decimal, Decimal], unit: str) -> str:
    return f"{ends[0]} to {ends[1]} {unit}".strip()
