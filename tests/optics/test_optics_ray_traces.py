"""The formulas against recorded ray traces.

Recorded with two general-purpose libraries that share no code with these formulas: optiland 0.6.3 (real rays) and
rayoptics 0.9.8 (paraxial data and real rays), Python 3.11.7. Lenses by surface powers F1, F2 (dioptres), thickness t
(mm) and index n; a distant object, rays parallel to the axis. They are fixtures because both libraries pull in more
than a gigabyte.
"""

from __future__ import annotations

import pytest

from opticshop.optics import (
    TiltModel,
    back_vertex_power,
    effective_tilted_power,
    equivalent_power,
    prentice,
    prentice_toric,
    tilt_factor,
    transverse_chromatic_pdpt,
)

BACK_VERTEX_TRACES = [
    # F1, F2, t, n, optiland ray at 0.02 mm, rayoptics paraxial, equivalent power (both libraries)
    (10.25, -3, 4, 1.586, 7.522007, 7.522006, 7.327554),
    (2.5, -8.5, 1.2, 1.67, -5.995501, -5.995501, -5.984731),
    (9, -2.5, 5.8, 1.6, 6.803528, 6.803528, 6.581562),
]

PRISM_TRACES = [
    # F1, F2, t, n, y of a ray above the optical centre; prism of the real ray (base up positive); library
    (4, -8, 1.5, 1.6, 10, 4.036316, "optiland 0.6.3 and rayoptics 0.9.8"),
    (6.5, -2.6, 4.2, 1.498, 10, -3.98347, "optiland 0.6.3 and rayoptics 0.9.8"),
    (9, -2.5, 5.8, 1.6, 10, -6.652527, "rayoptics 0.9.8"),
    (10.25, -3, 4, 1.586, 10, -7.436360, "rayoptics 0.9.8"),
    (2, -9, 1.2, 1.67, 15, 10.920078, "optiland 0.6.3"),
    (2.5, -8.5, 1.2, 1.67, 15, 9.304099, "rayoptics 0.9.8"),
]

TILT_TRACES = [
    # sphere, n, tilt; ray sagittal, ray tangential (optiland 0.6.3, thin lens of two equal surfaces)
    (-6, 1.5, 12, -6.088481, -6.363561),
    (5, 1.67, 15, 5.103703, 5.470132),
    (-8, 1.586, 18, -8.253211, -9.124526),
]


@pytest.mark.parametrize(("f1", "f2", "t", "n", "real_ray", "paraxial", "equivalent"), BACK_VERTEX_TRACES)
def test_vertex_and_equivalent_power_match_traced_rays(
    f1: float, f2: float, t: float, n: float, real_ray: float, paraxial: float, equivalent: float
) -> None:
    assert back_vertex_power(f1, f2, t, n) == pytest.approx(real_ray, abs=2e-6)
    assert back_vertex_power(f1, f2, t, n) == pytest.approx(paraxial, abs=1e-6)
    assert equivalent_power(f1, f2, t, n) == pytest.approx(equivalent, abs=2e-6)


@pytest.mark.parametrize(("f1", "f2", "t", "n", "y", "real_ray", "library"), PRISM_TRACES)
def test_prentice_is_within_five_percent_of_real_rays(
    f1: float, f2: float, t: float, n: float, y: float, real_ray: float, library: str
) -> None:
    power = back_vertex_power(f1, f2, t, n)
    _, up = prentice_toric(power, 0, 180, 0, y)
    assert up == pytest.approx(real_ray, rel=0.05), library
    assert up == pytest.approx(-prentice(power, y))


@pytest.mark.parametrize(("sphere", "n", "tilt", "sagittal", "tangential"), TILT_TRACES)
def test_exact_tilt_matches_traced_pencils(
    sphere: float, n: float, tilt: float, sagittal: float, tangential: float
) -> None:
    s, c, _ = effective_tilted_power(sphere, 0, 180, panto_deg=tilt, index=n)
    assert sorted((s, s + c)) == pytest.approx(sorted((sagittal, tangential)), abs=2e-6)
    martin = sphere * tilt_factor(tilt, n, TiltModel.MARTIN)
    assert martin == pytest.approx(sagittal, rel=2e-3)


def test_transverse_chromatic_aberration_matches_the_difference_of_two_traces() -> None:
    # optiland 0.6.3: F1 4, F2 -8, t 1.5, n 1.586, Abbe 30, y 10: exit prism at n + (n-1)/(2V) minus at n - (n-1)/(2V)
    prism = abs(prentice(back_vertex_power(4, -8, 1.5, 1.586), 10))
    assert transverse_chromatic_pdpt(prism, 30) == pytest.approx(0.132827, abs=1e-5)
    assert transverse_chromatic_pdpt(prism, 30) == pytest.approx(0.134350, rel=0.05)


def test_trace_counts_match_the_reference_tables() -> None:
    assert [len(table) for table in (BACK_VERTEX_TRACES, PRISM_TRACES, TILT_TRACES)] == [3, 6, 3]
