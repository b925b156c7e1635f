"""Volume and weight of lenses by integrating the thickness over the area.

Mass in g = density (g/cm^3) x volume (mm^3) / 1000. Round lenses have a closed form from spherical caps;
shaped lenses are cut into triangles from the boxed centre and integrated with Gauss points (polygon and
true curve differ by 4e-5 of the area for 400 points, which outweighs the integration itself).
"""

from __future__ import annotations

import numpy as np

from ._numeric import FloatArray, Numeric, Result, blockwise, numbers, plain, refractive_index, scalar, within
from .errors import ImpossibleThickness
from .outline import Outline
from .surfaces import sphere_sag
from .thickness import MeniscusLens
from .vertex_power import LARGEST_THICKNESS_MM


def _gauss(count: int) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes and weights on [0, 1]."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * (nodes + 1.0), 0.5 * weights


_RADIAL, _RADIAL_WEIGHTS = _gauss(8)
_ALONG, _ALONG_WEIGHTS = _gauss(2)


@blockwise
def round_volume_mm3(
    front_power_dpt: Numeric,
    back_power_dpt: Numeric,
    centre_mm: Numeric,
    diameter_mm: Numeric,
    index: Numeric,
) -> Result:
    """Volume of a centred round lens with two spherical surfaces: pi Y^2 tc - I(front) + I(back).

    I is the volume under a cap of depth h: pi h (3 Y^2 - h^2) / 6, which equals pi Y^2 h - pi h^2 (3 r - h)
    / 3.
    """
    f1, f2, tc, diameter, n = numbers(
        front_power_dpt=front_power_dpt,
        back_power_dpt=back_power_dpt,
        centre_mm=centre_mm,
        diameter_mm=diameter_mm,
        index=index,
    )
    refractive_index(n)
    within(tc, "centre_mm", 0.0, LARGEST_THICKNESS_MM)
    within(diameter, "diameter_mm", 0.0, 1000.0)
    y_squared = 0.25 * diameter * diameter
    front, back = (sphere_sag(sign * f / (1000.0 * (n - 1.0)), y_squared) for sign, f in ((1.0, f1), (-1.0, f2)))
    if np.min(tc - front + back, initial=np.inf) < 0.0:
        raise ImpossibleThickness("the surfaces cross inside the diameter", field="centre_mm")
    caps = [np.pi * depth * (3.0 * y_squared - depth * depth) / 6.0 for depth in (front, back)]
    return plain(np.pi * y_squared * tc - caps[0] + caps[1])


def shaped_volume_mm3(
    lens: MeniscusLens, outline: Outline, *, centre_x_mm: float = 0.0, centre_y_mm: float = 0.0
) -> float:
    """Volume of a lens cut to an outline, the optical centre at (x, y) in the outline's frame."""
    x0, y0 = outline.boxed_centre_mm
    dx, dy = x0 - scalar(centre_x_mm, "centre_x_mm"), y0 - scalar(centre_y_mm, "centre_y_mm")
    start = outline.points_mm - np.array([x0, y0])
    side = np.roll(start, -1, axis=0) - start
    jacobian = start[:, 0] * side[:, 1] - start[:, 1] * side[:, 0]
    edge = start[:, None, :] + _ALONG[None, :, None] * side[:, None, :]
    x, y = (edge[:, :, None, i] * _RADIAL for i in (0, 1))
    thickness = np.asarray(lens.thickness_mm(x + dx, y + dy))
    return float(np.einsum("ijk,i,j,k->", thickness, jacobian, _ALONG_WEIGHTS, _RADIAL_WEIGHTS * _RADIAL))


def weight_g(volume_mm3: Numeric, density_g_cm3: Numeric) -> Result:
    """Mass of a volume. Densities from 0.5 to 10 g/cm^3."""
    volume, density = numbers(volume_mm3=volume_mm3, density_g_cm3=density_g_cm3)
    within(volume, "volume_mm3", 0.0, 1e6)
    within(density, "density_g_cm3", 0.5, 10.0)
    return plain(volume * density / 1000.0)
