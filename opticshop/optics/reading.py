"""Vertical imbalance of an anisometropic pair at the reading level, and the slab-off that removes it.

The reading point lies `drop_mm` below the distance optical centres (and, if wanted, `inset_mm` nasally).
Prism there follows Prentice with the full matrix. Equal additions and segments cancel; unequal segments
must be added. Slab-off is base up on the lens with the more base-down prism (the more minus, or less plus,
vertical meridian); a reverse slab is base down on the other lens. Commonly done from about 1.5 to about 6
prism dioptres (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from ._numeric import NEGLIGIBLE, scalar
from .eyes import Eye
from .prentice import prism_at
from .sphero_cylinder import SpheroCylinder


@dataclass(frozen=True, slots=True)
class ReadingImbalance:
    """Vertical prism (base up positive) of each eye at the reading point, in prism dioptres.

    `difference_pdpt` = up right - up left. `slab_eye` is the lens that takes a base-up slab of `slab_pdpt`;
    None when there is nothing to remove.
    """

    right_up_pdpt: float
    left_up_pdpt: float
    difference_pdpt: float
    slab_pdpt: float
    slab_eye: Eye | None


def reading_imbalance(
    right: SpheroCylinder, left: SpheroCylinder, drop_mm: float, inset_mm: float = 0.0
) -> ReadingImbalance:
    """Vertical imbalance looking `drop_mm` (0..100) below the optical centres and `inset_mm` nasally."""
    drop = scalar(drop_mm, "drop_mm", 0.0, 100.0)
    inset = scalar(inset_mm, "inset_mm", -100.0, 100.0)
    right_up, left_up = (
        prism_at(power, inset * eye.nasal_sign, -drop).y_pdpt for eye, power in ((Eye.RIGHT, right), (Eye.LEFT, left))
    )
    difference = right_up - left_up
    if abs(difference) < NEGLIGIBLE:
        return ReadingImbalance(right_up, left_up, 0.0, 0.0, None)
    slab_eye = Eye.RIGHT if difference < 0.0 else Eye.LEFT
    return ReadingImbalance(right_up, left_up, difference, abs(difference), slab_eye)
