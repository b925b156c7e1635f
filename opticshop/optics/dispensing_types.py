"""What goes into the computation of a pair of spectacles, and what comes out. Nothing here computes.

Everything is frozen, in mm, dioptres, prism dioptres and degrees, and nothing is rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum

from ._numeric import refractive_index, scalar
from .boxing import BoxedFrame, Decentration
from .cutout import CutOut
from .eyes import Eye
from .outline import Outline
from .prism import NO_PRISM, Prism, RelativePrism
from .reading import ReadingImbalance
from .sphero_cylinder import SpheroCylinder
from .thickness import MeniscusLens


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeInput:
    """One eye as prescribed and measured.

    Vertex distances: None when not measured. `height_mm` of the centration point above the lowest tangent
    of the box, None when not measured. `centre_shift_*_mm` moves the optical centre off the centration
    point on purpose (nasal and up positive); the prism it induces is reported.
    """

    eye: Eye
    power: SpheroCylinder
    prism: Prism = NO_PRISM
    vertex_tested_mm: float | None = None
    vertex_worn_mm: float | None = None
    mono_pd_mm: float | None = None
    height_mm: float | None = None
    centre_shift_in_mm: float = 0.0
    centre_shift_up_mm: float = 0.0

    def __post_init__(self) -> None:
        _check(self, vertex_tested_mm=(0.0, 100.0), vertex_worn_mm=(0.0, 100.0), mono_pd_mm=(10.0, 60.0))
        _check(self, height_mm=(0.0, 100.0), centre_shift_in_mm=(-50.0, 50.0), centre_shift_up_mm=(-50.0, 50.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameInput:
    """The frame: boxed sizes, the traced outline of the RIGHT lens if there is one, and how the frame is worn.

    Tilts in degrees; None when not measured. `panto_deg` is the as-worn pantoscopic angle, `wrap_deg` the
    face-form angle of each lens.
    """

    boxed: BoxedFrame
    outline: Outline | None = None
    panto_deg: float | None = None
    wrap_deg: float | None = None

    def __post_init__(self) -> None:
        _check(self, panto_deg=(-30.0, 45.0), wrap_deg=(-30.0, 45.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class LensInput:
    """The lens that is to be cut: material, blank and the least it must keep.

    `front_power_dpt` is the true front surface power in this index. The blank's middle lies `blank_in_mm`
    nasally and `blank_up_mm` above its optical centre; the usable circle is concentric with the blank
    unless its own place is given. `cutting_margin_mm` is kept all round; `blank_allowance_mm` only enters
    the rule of thumb (a diameter). `compensated`: the lens is made with tilt-compensated power.
    `prism_by_decentration`: the prescribed prism comes from placing the optical centre (a finished lens)
    instead of being ground in.
    """

    index: float
    abbe: float
    density_g_cm3: float
    diameter_mm: float
    front_power_dpt: float
    minimum_centre_mm: float
    minimum_edge_mm: float
    cutting_margin_mm: float = 0.0
    blank_allowance_mm: float = 0.0
    blank_in_mm: float = 0.0
    blank_up_mm: float = 0.0
    usable_diameter_mm: float | None = None
    usable_in_mm: float | None = None
    usable_up_mm: float | None = None
    compensated: bool = False
    prism_by_decentration: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "index", refractive_index(scalar(self.index, "index")))
        _check(self, abbe=(10.0, 120.0), density_g_cm3=(0.5, 10.0), diameter_mm=(1.0, 1000.0))
        _check(self, front_power_dpt=(-50.0, 50.0), minimum_centre_mm=(0.0, 50.0), minimum_edge_mm=(0.0, 50.0))
        _check(self, cutting_margin_mm=(0.0, 50.0), blank_allowance_mm=(0.0, 50.0), usable_diameter_mm=(1.0, 1000.0))
        for name in ("blank_in_mm", "blank_up_mm", "usable_in_mm", "usable_up_mm"):
            _check(self, **{name: (-100.0, 100.0)})


@dataclass(frozen=True, slots=True, kw_only=True)
class DispensingLimits:
    """From where on a warning is worth its ink. Customs of the trade, not law (common practice, no source).

    `slab_pdpt` is where slab-off usually begins. Change them freely.
    """

    vertex_matters_dpt: float = 4.0
    mono_pd_matters_dpt: float = 4.0
    anisometropia_dpt: float = 2.0
    reading_drop_mm: float = 10.0
    slab_pdpt: float = 1.5
    strong_wrap_deg: float = 10.0
    outline_mismatch_mm: float = 1.0
    gaze_mm: float = 10.0
    assumed_exponent: float = 3.0


class WarningCode(StrEnum):
    """Stable codes of the warnings."""

    BLANK_TOO_SMALL = "blank_too_small"
    BLANK_FITS_SHIFTED = "blank_fits_shifted"
    OUTLINE_ASSUMED = "outline_assumed"
    OUTLINE_DIFFERS = "outline_differs_from_boxed_size"
    ED_UNKNOWN = "effective_diameter_unknown"
    HEIGHT_ASSUMED = "height_assumed"
    VERTEX_UNKNOWN = "vertex_distance_unknown"
    PD_BINOCULAR_ONLY = "binocular_pd_only"
    WRAP_UNCOMPENSATED = "strong_wrap_uncompensated"
    READING_IMBALANCE = "anisometropia_reading_imbalance"


@dataclass(frozen=True, slots=True)
class DispensingWarning:
    """Something a dispenser should look at. `eye` is None when it concerns the pair."""

    code: WarningCode
    message: str
    eye: Eye | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeResult:
    """One lens, computed.

    `power_worn` acts at the worn vertex distance as prescribed; `power_to_order` is that compensated for
    tilt (the same without tilt); `lens_power` is the one of the two the lens is made with. `tilt_residual`
    is what tilt adds when `power_worn` is ordered uncompensated. `centration` is where the eye looks
    through, `optical_centre` where the lens's optical (or prism reference) centre lies, both from the boxed
    centre. `induced_prism` comes from the difference of the two, beyond the prescribed prism;
    `induced_if_shifted` is the same after the smallest shift that makes the lens fit (None when none is
    needed or none does). `cut_out` and both blank diameters are exact for `outline`, which is a
    superellipse of `assumed_exponent` unless the frame was traced.
    """

    eye: Eye
    power_worn: SpheroCylinder
    power_to_order: SpheroCylinder
    lens_power: SpheroCylinder
    tilt_residual: SpheroCylinder
    centration: Decentration
    optical_centre: Decentration
    outline: Outline
    assumed_exponent: float | None
    effective_diameter_mm: float
    minimum_blank_rule_mm: float
    minimum_blank_exact_mm: float
    cut_out: CutOut
    shift_to_fit: Decentration | None
    induced_prism: Prism
    induced_if_shifted: Prism | None
    lens: MeniscusLens
    centre_thickness_mm: float
    thinnest_edge_mm: float
    thickest_edge_mm: float
    weight_g: float
    chromatic_pdpt: float
    warnings: tuple[DispensingWarning, ...]

    @property
    def outline_is_assumed(self) -> bool:
        return self.assumed_exponent is not None

    @property
    def cuts_out(self) -> bool:
        return self.cut_out.fits

    @property
    def clearance_mm(self) -> float:
        return self.cut_out.clearance_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class PairResult:
    """Both lenses and what they do together.

    The three prisms are relative prisms of the pair. `anisometropia_dpt` is the highest absolute power of the
    difference right minus left. `size_difference_percent` compares the spectacle magnifications of the two lenses,
    taken for their spherical equivalents; None unless both worn vertex distances are known. `warnings` holds those of
    both eyes and of the pair.
    """

    right: EyeResult
    left: EyeResult
    prescribed_prism: RelativePrism
    induced_prism: RelativePrism
    induced_if_shifted: RelativePrism
    anisometropia_dpt: float
    reading: ReadingImbalance
    size_difference_percent: float | None
    warnings: tuple[DispensingWarning, ...]


def _check(instance: object, **bounds: tuple[float, float]) -> None:
    """Validate float fields within bounds and store them as floats; None stays None where the field allows it."""
    optional = {field.name for field in fields(instance) if "None" in str(field.type)}  # type: ignore[arg-type]
    for name, (low, high) in bounds.items():
        value = getattr(instance, name)
        if value is None and name in optional:
            continue
        object.__setattr__(instance, name, scalar(value, name, low, high))
