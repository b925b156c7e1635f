"""One sphero-cylindrical power as a value, and the toric-surface form it can be ground in."""

from __future__ import annotations

from dataclasses import dataclass

from . import powers
from ._numeric import NEGLIGIBLE, scalar
from .effectivity import effective_sphero_cylinder
from .errors import OutOfRange


@dataclass(frozen=True, slots=True)
class SpheroCylinder:
    """A power S / C x a: dioptres and degrees as Python floats, axis in (0, 180], 0 stored as 180.

    Decimals and ints are accepted and converted. Raises `InvalidNumber` for nan, infinity and non-numbers and
    `OutOfRange` for an axis outside 0..180. Two spheres that differ only in the (meaningless) axis are equal:
    a zero cylinder always stores axis 180.
    """

    sphere_dpt: float
    cylinder_dpt: float = 0.0
    axis_deg: float = 180.0

    def __post_init__(self) -> None:
        cylinder = scalar(self.cylinder_dpt, "cylinder_dpt")
        cylinder = 0.0 if abs(cylinder) < NEGLIGIBLE else cylinder
        axis = scalar(self.axis_deg, "axis_deg", 0.0, 180.0)
        object.__setattr__(self, "sphere_dpt", scalar(self.sphere_dpt, "sphere_dpt") + 0.0)
        object.__setattr__(self, "cylinder_dpt", cylinder)
        object.__setattr__(self, "axis_deg", 180.0 if cylinder == 0.0 or axis == 0.0 else axis)

    @property
    def triple(self) -> tuple[float, float, float]:
        """(sphere_dpt, cylinder_dpt, axis_deg), the argument order of the functions on arrays."""
        return self.sphere_dpt, self.cylinder_dpt, self.axis_deg

    @property
    def is_spherical(self) -> bool:
        return self.cylinder_dpt == 0.0

    @property
    def principal_powers_dpt(self) -> tuple[float, float]:
        """(power along the axis meridian, power at right angles to it)."""
        return self.sphere_dpt, self.sphere_dpt + self.cylinder_dpt

    @property
    def highest_absolute_power_dpt(self) -> float:
        along, across = self.principal_powers_dpt
        return max(abs(along), abs(across))

    @property
    def spherical_equivalent_dpt(self) -> float:
        return self.sphere_dpt + 0.5 * self.cylinder_dpt

    @property
    def power_vector(self) -> tuple[float, float, float]:
        """(M, J0, J45) in dioptres."""
        return powers.power_vector(*self.triple)

    @property
    def power_matrix(self) -> tuple[float, float, float]:
        """(f11, f12, f22) in dioptres."""
        return powers.power_matrix(*self.triple)

    @classmethod
    def from_power_vector(cls, m_dpt: float, j0_dpt: float, j45_dpt: float) -> SpheroCylinder:
        return cls(*powers.from_power_vector(m_dpt, j0_dpt, j45_dpt))

    @classmethod
    def from_power_matrix(cls, f11_dpt: float, f12_dpt: float, f22_dpt: float) -> SpheroCylinder:
        return cls(*powers.from_power_matrix(f11_dpt, f12_dpt, f22_dpt))

    def transposed(self) -> SpheroCylinder:
        """The same lens in the other cylinder sign; a sphere is returned as it is."""
        return SpheroCylinder(*powers.transpose(*self.triple))

    def to_minus_cylinder(self) -> SpheroCylinder:
        return self.transposed() if self.cylinder_dpt > 0.0 else self

    def to_plus_cylinder(self) -> SpheroCylinder:
        return self.transposed() if self.cylinder_dpt < 0.0 else self

    def power_along(self, meridian_deg: float) -> float:
        """Curvature power along a meridian, S + C sin^2(m - a)."""
        return float(powers.meridional_power(*self.triple, meridian_deg))

    def at_vertex(self, from_mm: float, to_mm: float) -> SpheroCylinder:
        """The power doing the same work at another vertex distance, exact for torics. Raises `SingularPower`."""
        return SpheroCylinder(*effective_sphero_cylinder(*self.triple, from_mm, to_mm))

    def __add__(self, other: SpheroCylinder) -> SpheroCylinder:
        """Thin lenses in contact, minus-cylinder form."""
        return SpheroCylinder(*powers.add_powers(self.triple, other.triple))

    def __sub__(self, other: SpheroCylinder) -> SpheroCylinder:
        """Residual power, minus-cylinder form."""
        return SpheroCylinder(*powers.subtract_powers(self.triple, other.triple))


@dataclass(frozen=True, slots=True)
class ToricForm:
    """A power ground with one spherical and one toric surface, written as the workshop writes it.

    `base_dpt` and `cross_dpt` are the two cylinders of the toric surface with their axes; each acts at right
    angles to its axis. `sphere_dpt` is the other surface. Thin-lens surface powers in dioptres.
    """

    sphere_dpt: float
    base_dpt: float
    base_axis_deg: float
    cross_dpt: float
    cross_axis_deg: float


def toric_base_form(power: SpheroCylinder, base_dpt: float) -> ToricForm:
    """Transpose a power to a toric surface whose flatter (base) curve is `base_dpt`.

    A positive base is a toric front with a spherical back, a negative base a toric back with a spherical
    front. The cross curve is the base increased in strength by the cylinder. Source of the procedure:
    MRCOphth mock station, http://mrcophth.com/mock/mock10/stationthree.html. Raises `OutOfRange` for a base
    of zero.
    """
    base = scalar(base_dpt, "base_dpt")
    if base == 0.0:
        raise OutOfRange("a toric base curve cannot be zero", field="base_dpt")
    form = power.to_plus_cylinder() if base > 0.0 else power.to_minus_cylinder()
    sphere = form.sphere_dpt - base
    return ToricForm(
        sphere_dpt=sphere,
        base_dpt=base,
        base_axis_deg=powers.fold_axis(form.axis_deg + 90.0),
        cross_dpt=base + form.cylinder_dpt,
        cross_axis_deg=form.axis_deg,
    )
