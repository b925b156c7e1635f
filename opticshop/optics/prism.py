"""Prism: components, base directions, addition, resolution per eye, exact deviation, sharing between the eyes.

Components (prism dioptres) follow the common frame: x > 0 is base toward 0 degrees, y > 0 is base up. Right
eye: base in is 0, base out 180; left eye: base out 0, base in 180; up 90 and down 270 for both. A prism of
zero has no base: the value object says None, functions on arrays return 0 degrees beside a magnitude of
exactly 0. Thin prisms add as vectors; deviations of large prisms follow P = 100 tan(deviation).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ._numeric import (
    LARGEST,
    NEGLIGIBLE,
    Numeric,
    Result,
    blockwise,
    numbers,
    plain,
    plain_all,
    scalar,
    within,
)
from .errors import OutOfRange
from .eyes import Eye

HorizontalBase = Literal["in", "out"]
VerticalBase = Literal["up", "down"]


@blockwise
def prism_components(prism_pdpt: Numeric, base_deg: Numeric) -> tuple[Result, Result]:
    """(x, y) components of a prism (>= 0) with its base at 0..360 degrees."""
    magnitude, base = numbers(prism_pdpt=prism_pdpt, base_deg=base_deg)
    within(magnitude, "prism_pdpt", 0.0, LARGEST)
    within(base, "base_deg", 0.0, 360.0)
    angle = np.deg2rad(base)
    return plain_all(magnitude * np.cos(angle), magnitude * np.sin(angle))


@blockwise
def prism_polar(x_pdpt: Numeric, y_pdpt: Numeric) -> tuple[Result, Result]:
    """(magnitude, base in [0, 360) degrees) of components. Rounding residue becomes (0, 0)."""
    x, y = numbers(x_pdpt=x_pdpt, y_pdpt=y_pdpt)
    magnitude = np.hypot(x, y)
    base = np.rad2deg(np.arctan2(y, x)) % 360.0
    nothing = magnitude < NEGLIGIBLE
    full_turn = base > 360.0 - 1e-9
    if np.ndim(magnitude) == 0:
        return (0.0, 0.0) if nothing else (float(magnitude), 0.0 if full_turn else float(base))
    return plain_all(np.where(nothing, 0.0, magnitude), np.where(nothing | full_turn, 0.0, base))


def base_in(x_pdpt: Numeric, eye: Eye) -> Result:
    """The base-in component of a horizontal component (negative: base out)."""
    (x,) = numbers(x_pdpt=x_pdpt)
    return plain(x * eye.nasal_sign + 0.0)


def deviation_deg(prism_pdpt: Numeric) -> Result:
    """Exact deviation of a prism, atan(P / 100)."""
    (prism,) = numbers(prism_pdpt=prism_pdpt)
    return plain(np.rad2deg(np.arctan(prism / 100.0)))


def prism_of_deviation(deviation_deg: Numeric) -> Result:
    """P = 100 tan(deviation), for deviations of less than 89 degrees either way."""
    (deviation,) = numbers(deviation_deg=deviation_deg)
    within(deviation, "deviation_deg", -89.0, 89.0)
    return plain(100.0 * np.tan(np.deg2rad(deviation)))


@dataclass(frozen=True, slots=True)
class ResolvedPrism:
    """A prism in words for one eye: unsigned components and their bases (None where the component is zero)."""

    horizontal_pdpt: float
    horizontal_base: HorizontalBase | None
    vertical_pdpt: float
    vertical_base: VerticalBase | None


@dataclass(frozen=True, slots=True)
class Prism:
    """A prism by components in prism dioptres: x > 0 base toward 0 degrees, y > 0 base up."""

    x_pdpt: float = 0.0
    y_pdpt: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "x_pdpt", scalar(self.x_pdpt, "x_pdpt") + 0.0)
        object.__setattr__(self, "y_pdpt", scalar(self.y_pdpt, "y_pdpt") + 0.0)

    @classmethod
    def from_polar(cls, prism_pdpt: float, base_deg: float) -> Prism:
        """From a magnitude and the 360-degree base direction."""
        return cls(*prism_components(prism_pdpt, base_deg))

    @classmethod
    def from_half_circle(cls, prism_pdpt: float, base_deg: float, vertical: VerticalBase) -> Prism:
        """From the old 0..180 notation, where the word up or down says which half circle is meant."""
        base = scalar(base_deg, "base_deg", 0.0, 180.0)
        return cls.from_polar(prism_pdpt, base if vertical == "up" else (base + 180.0) % 360.0)

    @classmethod
    def for_eye(cls, eye: Eye, *, base_in_pdpt: float = 0.0, base_up_pdpt: float = 0.0) -> Prism:
        """From base-in and base-up amounts of one eye (negative: out, down)."""
        return cls(scalar(base_in_pdpt, "base_in_pdpt") * eye.nasal_sign, scalar(base_up_pdpt, "base_up_pdpt"))

    @property
    def is_zero(self) -> bool:
        return self.magnitude_pdpt == 0.0

    @property
    def magnitude_pdpt(self) -> float:
        return float(prism_polar(self.x_pdpt, self.y_pdpt)[0])

    @property
    def base_deg(self) -> float | None:
        """Base direction in [0, 360), None for no prism."""
        magnitude, base = prism_polar(self.x_pdpt, self.y_pdpt)
        return float(base) if magnitude else None

    @property
    def deviation_deg(self) -> float:
        return float(deviation_deg(self.magnitude_pdpt))

    def base_in_pdpt(self, eye: Eye) -> float:
        return self.x_pdpt * eye.nasal_sign + 0.0

    @property
    def base_up_pdpt(self) -> float:
        return self.y_pdpt

    def resolved(self, eye: Eye) -> ResolvedPrism:
        """The prism in the words in, out, up, down."""
        inward = self.base_in_pdpt(eye)
        x, y = (0.0 if abs(v) < NEGLIGIBLE else v for v in (inward, self.y_pdpt))
        return ResolvedPrism(
            horizontal_pdpt=abs(x),
            horizontal_base=None if x == 0.0 else ("in" if x > 0.0 else "out"),
            vertical_pdpt=abs(y),
            vertical_base=None if y == 0.0 else ("up" if y > 0.0 else "down"),
        )

    def half_circle(self) -> tuple[float, VerticalBase] | None:
        """(base 0..180, up or down): the old notation; None for no prism. 0 and 180 are written as up."""
        base = self.base_deg
        if base is None:
            return None
        return (base, "up") if base <= 180.0 else (base - 180.0, "down")

    def __add__(self, other: Prism) -> Prism:
        return Prism(self.x_pdpt + other.x_pdpt, self.y_pdpt + other.y_pdpt)

    def __sub__(self, other: Prism) -> Prism:
        return Prism(self.x_pdpt - other.x_pdpt, self.y_pdpt - other.y_pdpt)

    def __neg__(self) -> Prism:
        return Prism(-self.x_pdpt, -self.y_pdpt)


NO_PRISM = Prism()


@dataclass(frozen=True, slots=True)
class RelativePrism:
    """What a pair of prisms asks of the eyes together.

    `base_in_pdpt` = in right + in left (same bases add, in and out cancel); `right_up_pdpt` = up right - up
    left.
    """

    base_in_pdpt: float
    right_up_pdpt: float


def relative_prism(right: Prism, left: Prism) -> RelativePrism:
    """Relative prism of a pair, each prism in its own lens's components."""
    return RelativePrism(
        base_in_pdpt=right.base_in_pdpt(Eye.RIGHT) + left.base_in_pdpt(Eye.LEFT),
        right_up_pdpt=right.y_pdpt - left.y_pdpt,
    )


def split_prism(base_in_pdpt: float, right_up_pdpt: float, *, right_share: float = 0.5) -> tuple[Prism, Prism]:
    """(right, left) prisms that together make the relative prism asked for.

    `right_share` (0..1) is the part carried by the right lens; the left lens carries the rest, in the same
    horizontal sense and the opposite vertical sense.
    """
    share = scalar(right_share, "right_share")
    if not 0.0 <= share <= 1.0:
        raise OutOfRange("the right lens's share must lie between 0 and 1", field="right_share")
    inward, up = scalar(base_in_pdpt, "base_in_pdpt"), scalar(right_up_pdpt, "right_up_pdpt")
    return (
        Prism.for_eye(Eye.RIGHT, base_in_pdpt=share * inward, base_up_pdpt=share * up),
        Prism.for_eye(Eye.LEFT, base_in_pdpt=(1.0 - share) * inward, base_up_pdpt=(share - 1.0) * up),
    )
