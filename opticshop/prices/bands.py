"""The band of a pair from its powers, by the regions of a scheme. Pure: no database, no clock.

The cylinder is first written in its minus form, so that one lens has one band however it was written. On an edge that
two bands claim the lower is taken. There, and where the plus form would give another band, the band is in doubt: every
band that it may be is named as possible, with a warning.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from .schemes import Scheme


@dataclass(frozen=True, slots=True)
class Power:
    """One lens as prescribed. The axis does not bear on the band."""

    sphere: Decimal
    cylinder: Decimal = Decimal(0)

    @property
    def minus_form(self) -> Power:
        return self if self.cylinder <= 0 else self.transposed

    @property
    def transposed(self) -> Power:
        return Power(self.sphere + self.cylinder, -self.cylinder)


@dataclass(frozen=True, slots=True)
class Band:
    """The band of a pair: which, what else it may be, the eye that decides and what is in doubt."""

    code: str
    possible: tuple[str, ...]
    decided_by: str
    warnings: tuple[str, ...]

    @property
    def is_doubtful(self) -> bool:
        return len(self.possible) > 1


def tiers_of(scheme: Scheme, power: Power) -> tuple[int, ...]:
    """Every tier whose regions hold the power as it is written, weakest first; never none."""
    sphere, cylinder = abs(power.sphere), abs(power.cylinder)
    found = {
        region.tier for region in scheme.regions if region.sphere.holds(sphere) and region.cylinder.holds(cylinder)
    }
    return tuple(sorted(found))


def band_of(scheme: Scheme, eyes: Mapping[str, Power], *, is_multifocal: bool) -> Band:
    """The band of a pair (or of one lens). The stronger eye decides; equal eyes: the one named first.

    ``eyes`` must name at least one. In doubt, every reading of every eye counts as possible for the pair.
    """
    if not eyes:
        raise ValueError("a band is found from at least one lens")
    column = scheme.multifocal if is_multifocal else scheme.single_vision
    warnings: list[str] = []
    chosen: dict[str, int] = {}
    readings: dict[str, set[int]] = {}
    for eye, power in eyes.items():
        written = tiers_of(scheme, power.minus_form)
        other = tiers_of(scheme, power.minus_form.transposed)
        chosen[eye] = written[0]
        readings[eye] = {*written, *other}
        if len(written) > 1:
            names = " and ".join(column[tier] for tier in written)
            warnings.append(f"{eye}: bands {names} both claim this power; {column[written[0]]} is taken.")
        if set(other) != set(written):
            names = " or ".join(column[tier] for tier in other)
            warnings.append(
                f"{eye}: with minus cylinder the band is {column[written[0]]}, with plus cylinder {names}; "
                "which form the regulations intend was not checked."
            )
    strongest = max(chosen.values())
    decided_by = next(eye for eye, tier in chosen.items() if tier == strongest)
    least = max(min(tiers) for tiers in readings.values())
    most = max(max(tiers) for tiers in readings.values())
    return Band(
        code=column[strongest],
        possible=tuple(column[least : most + 1]),
        decided_by=decided_by,
        warnings=tuple(warnings),
    )
