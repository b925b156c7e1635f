"""Lens materials as data: indices, Abbe numbers and densities with their source and how well they are known.

Figures were read from stored page excerpts, not from current data sheets: confirm them before they become
product defaults. Published densities differ by about 0.02 between suppliers. The everyday names 1.60, 1.67
and 1.74 are e-line indices; do not use them with d-line Abbe numbers or d-line curves without saying so.
"""

from __future__ import annotations

from dataclasses import dataclass

from ._numeric import refractive_index, scalar
from .conformity import Confidence

_A = (
    '[A] "High-index lens materials: past, present, future", Vision Care Product News, '
    "https://www.visioncareproducts.com/high-index-lens-materials-past-present-future/"
)
_B = "[B] property comparison reproduced at http://ophthalmiclenses.blogspot.com/2012/05"


@dataclass(frozen=True, slots=True)
class Material:
    """A lens material. `index` and `abbe` are for the d line; `index_e` and `abbe_e` for the e line when known."""

    key: str
    name: str
    index: float
    abbe: float
    density_g_cm3: float
    source: str
    confidence: Confidence
    index_e: float | None = None
    abbe_e: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", refractive_index(scalar(self.index, "index")))
        object.__setattr__(self, "abbe", scalar(self.abbe, "abbe", 10.0, 120.0))
        object.__setattr__(self, "density_g_cm3", scalar(self.density_g_cm3, "density_g_cm3", 0.5, 10.0))


_PARTLY = Confidence.PARTLY_CONFIRMED

MATERIALS = (
    Material(
        "adc-1.50",
        "allyl diglycol carbonate",
        1.498,
        58,
        1.32,
        'index: BHVI chapter "Physical and optical characteristics of lens materials", '
        "https://www.scribd.com/document/623367146/01-The-charactristics-of-lens-materials; Abbe and density: " + _A,
        _PARTLY,
        index_e=1.502,
        note="[A] lists n 1.499",
    ),
    Material("polycarbonate-1.59", "polycarbonate", 1.586, 30, 1.20, _A, _PARTLY),
    Material(
        "urethane-1.53",
        "impact-resistant urethane",
        1.532,
        44,
        1.11,
        _A + "; index: http://igateoptics.com/html/spec-material.html",
        Confidence.DOUBTFUL,
        note="[A] lists n 1.527; Abbe 43 to 45 by source",
    ),
    Material(
        "thiourethane-1.60-v41", "thiourethane 1.60, higher Abbe", 1.592, 41, 1.30, f"{_A}; ne: {_B}", _PARTLY, 1.60
    ),
    Material("thiourethane-1.60-v36", "thiourethane 1.60, lower Abbe", 1.595, 36, 1.34, _A, _PARTLY),
    Material("thiourethane-1.67-d135", "thiourethane 1.67, lighter", 1.658, 32, 1.35, f"{_A}; {_B}", _PARTLY, 1.67, 31),
    Material("thiourethane-1.67-d137", "thiourethane 1.67, denser", 1.661, 32, 1.37, f"{_A}; {_B}", _PARTLY, 1.67, 31),
    Material("episulfide-1.74", "episulfide 1.74", 1.732, 33, 1.47, f"{_A}; {_B}", _PARTLY, 1.74, 32),
    Material("crown-1.52", "ophthalmic crown glass", 1.523, 59, 2.54, _A, _PARTLY),
)

MATERIAL_BY_KEY = {material.key: material for material in MATERIALS}
