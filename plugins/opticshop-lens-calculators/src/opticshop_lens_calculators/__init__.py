"""The service's own calculators of spectacle optics. Each says where its formula comes from and what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from opticshop.plugin_api import Calculator, PluginManifest, hookimpl

from .boxing import BoxedDecentration, MinimumBlankRule
from .chromatic import ChromaticAberration
from .lens_form import BackSurfaceForPower, FrontSurfaceForPower, VertexPowers
from .magnification import ImageSizeDifference, SpectacleMagnification
from .materials import MaterialComparison
from .near import ImageJump, NearCentration, SegmentPlacement
from .outlines import BlankCutOut, OutlineMeasures
from .pair import PairOfSpectacles
from .pair_prism import PairPrismFromCentration, ReadingLevelImbalance
from .power_forms import MeridionalPower, SphericalEquivalent, ToricBaseCurve, Transposition
from .power_vectors import (
    CrossedPowersDifference,
    CrossedPowersSum,
    PowerFromMatrix,
    PowerFromVector,
    PowerMatrix,
    PowerVector,
)
from .prism_arithmetic import (
    PrismComposed,
    PrismDeviation,
    PrismOfDeviation,
    PrismResolved,
    PrismsCombined,
    PrismShared,
)
from .prism_by_position import DecentrationForPrism, PrismAtPoint, PrismByDecentration
from .surfaces import LensClock, LensClockReading, SurfacePowerOfRadius, SurfaceSagitta
from .thickness import CutLensThickness, RoundLensThickness
from .tilt import TiltCompensatedPower, TiltedLensEffect
from .tints import TintCategory, TintDensity, TintsCombined, TintThickness, UncoatedTransmittance
from .vertex_distance import VertexCompensation
from .weight import CutLensWeight, RoundLensWeight

__all__ = ["CALCULATORS", "plugin"]

CALCULATORS: tuple[Calculator[Any, Any], ...] = (
    Transposition(),
    SphericalEquivalent(),
    MeridionalPower(),
    PowerVector(),
    PowerFromVector(),
    PowerMatrix(),
    PowerFromMatrix(),
    CrossedPowersSum(),
    CrossedPowersDifference(),
    VertexCompensation(),
    PrismAtPoint(),
    PrismByDecentration(),
    DecentrationForPrism(),
    PrismsCombined(),
    PrismResolved(),
    PrismComposed(),
    PrismShared(),
    PrismDeviation(),
    PrismOfDeviation(),
    PairPrismFromCentration(),
    ReadingLevelImbalance(),
    BoxedDecentration(),
    MinimumBlankRule(),
    OutlineMeasures(),
    BlankCutOut(),
    ToricBaseCurve(),
    SurfaceSagitta(),
    SurfacePowerOfRadius(),
    LensClock(),
    LensClockReading(),
    VertexPowers(),
    BackSurfaceForPower(),
    FrontSurfaceForPower(),
    RoundLensThickness(),
    CutLensThickness(),
    RoundLensWeight(),
    CutLensWeight(),
    MaterialComparison(),
    TiltedLensEffect(),
    TiltCompensatedPower(),
    SpectacleMagnification(),
    ImageSizeDifference(),
    NearCentration(),
    SegmentPlacement(),
    ImageJump(),
    ChromaticAberration(),
    TintDensity(),
    TintCategory(),
    TintsCombined(),
    TintThickness(),
    UncoatedTransmittance(),
    PairOfSpectacles(),
)
"""Every calculator, in the order of the work: power, prism, centration, surfaces, thickness, tilt, near, tint, pair."""


class LensCalculatorsPlugin:
    """Registers the calculators; it has no settings and keeps nothing."""

    manifest = PluginManifest(
        name="opticshop-lens-calculators",
        title="Lens calculators",
        version="0.1.0",
        api=">=1.0,<2",
        description=(
            "Powers, prism, centration, thickness, tilt, near vision, tints and whole pairs, computed by stated "
            "formulas. Results support the judgement of a registered person and never replace it."
        ),
    )

    @hookimpl
    def register_calculators(self) -> Sequence[Calculator[Any, Any]]:
        return CALCULATORS


plugin = LensCalculatorsPlugin()
