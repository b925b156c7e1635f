"""Throughput of the optics core against plain references, run side by side in this call.

Run: python tests/benchmarks/optics/bench_optics.py

Each line gives the best of several rounds of our function and of a named reference, and their ratio: reference time /
our time, so 1.0 is as fast as the reference and more is faster. References compute the same numbers without checks.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

import numpy as np
import shapely

from opticshop import optics
from opticshop.optics import (
    Blank,
    BoxedFrame,
    Eye,
    EyeInput,
    FrameInput,
    LensInput,
    MeniscusLens,
    Outline,
    SpheroCylinder,
)

ROWS = 1_000_000
ROUNDS = 9

Call = Callable[[], Any]


def best_of(call: Call, rounds: int = ROUNDS, repeat: int = 1) -> float:
    """Seconds of one call, best of several rounds."""
    fastest = float("inf")
    for _ in range(rounds):
        start = time.perf_counter()
        for _ in range(repeat):
            call()
        fastest = min(fastest, (time.perf_counter() - start) / repeat)
    return fastest


def line(name: str, reference_name: str, ours: Call, reference: Call, repeat: int = 1) -> str:
    """One row of the table; the two run in turn so that both see the same machine."""
    one, two = float("inf"), float("inf")
    for _ in range(3):
        two = min(two, best_of(reference, 3, repeat))
        one = min(one, best_of(ours, 3, repeat))
    return f"{name:<44}{one * 1e3:>10.4f}{two * 1e3:>12.4f}{two / one:>8.2f}  {reference_name}"


def effectivity_reference(s: Any, c: Any, a: Any, start: float, end: float) -> Any:
    """Both principal powers moved, the axis written with 180 for 0."""
    shift = (start - end) / 1000
    along = s / (1 - shift * s)
    across = (s + c) / (1 - shift * (s + c))
    return along, across - along, np.where(a == 0, 180.0, a)


def prentice_reference(s: Any, c: Any, a: Any, x: Any, y: Any) -> Any:
    """-F r with the power matrix written out."""
    angle = np.deg2rad(a)
    sin, cos = np.sin(angle), np.cos(angle)
    f11, f12, f22 = s + c * sin * sin, -c * sin * cos, s + c * cos * cos
    return -(f11 * x + f12 * y) / 10, -(f12 * x + f22 * y) / 10


def power_vector_reference(s: Any, c: Any, a: Any) -> Any:
    double = np.deg2rad(2 * a)
    return s + c / 2, -c / 2 * np.cos(double), -c / 2 * np.sin(double)


def from_vector_reference(m: Any, j0: Any, j45: Any) -> Any:
    c = -2 * np.sqrt(j0 * j0 + j45 * j45)
    return m - c / 2, c, np.rad2deg(np.arctan2(j45, j0)) / 2 % 180


def torus_reference(points: Any, front: float, along: float, across: float, centre: float) -> Any:
    """Thickness by the textbook forms r - sqrt(r^2 - y^2), toric back along its principal axes."""
    x, y = points[:, 0], points[:, 1]
    s1 = front - np.sqrt(front**2 - x * x - y * y)
    inner = along - across + np.sqrt(across**2 - y * y)
    return centre - s1 + along - np.sqrt(inner**2 - x * x)


def main() -> None:
    rng = np.random.default_rng(1)
    s, c, a = rng.uniform(-12, 12, ROWS), rng.uniform(-4, 0, ROWS), rng.uniform(0, 180, ROWS)
    x, y = rng.uniform(-20, 20, ROWS), rng.uniform(-20, 20, ROWS)
    m, j0, j45 = power_vector_reference(s, c, a)
    outline = Outline.superellipse(54, 40, 3, points=400)
    points = outline.points_mm
    small, large = Blank(62), Blank(70)
    centre = {"centration_x_mm": 4.0, "centration_y_mm": 2.0}
    lens = MeniscusLens.of_back_vertex_power(
        SpheroCylinder(-4, -2, 180), front_power_dpt=3, centre_thickness_mm=1.5, index=1.6
    )
    radii = [-600 / power for power in lens.back.principal_powers_dpt]
    disc = shapely.Point(4, 2).buffer(35, quad_segs=64)

    print(f"numpy {np.__version__}, shapely {shapely.__version__}, {ROWS:,} rows, best of {ROUNDS} rounds, times in ms")
    print(f"{'what':<44}{'ours':>10}{'reference':>12}{'ratio':>8}  reference")
    print(
        line(
            "effectivity, toric, 1 M rows",
            "plain numpy, same three outputs",
            lambda: optics.effective_sphero_cylinder(s, c, a, 12.0, 0.0),
            lambda: effectivity_reference(s, c, a, 12.0, 0.0),
        )
    )
    print(
        line(
            "effectivity, sphere, 1 M rows",
            "plain numpy",
            lambda: optics.effective_power(s, 12.0, 0.0),
            lambda: s / (1 - 0.012 * s),
        )
    )
    print(
        line(
            "Prentice, toric, 1 M rows",
            "plain numpy, power matrix",
            lambda: optics.prentice_toric(s, c, a, x, y),
            lambda: prentice_reference(s, c, a, x, y),
        )
    )
    print(
        line(
            "power vectors, 1 M rows",
            "plain numpy",
            lambda: optics.power_vector(s, c, a),
            lambda: power_vector_reference(s, c, a),
        )
    )
    print(
        line(
            "from power vectors, 1 M rows",
            "plain numpy, no snapping",
            lambda: optics.from_power_vector(m, j0, j45),
            lambda: from_vector_reference(m, j0, j45),
        )
    )
    print(
        line(
            "cut-out, 400 points, fits",
            "shapely: disc (256 sides) covers polygon",
            lambda: optics.cut_out(Outline(points), large, **centre),
            lambda: shapely.covers(disc, shapely.Polygon(points)),
            repeat=20,
        )
    )
    print(
        line(
            "cut-out, 400 points, with shortest shift",
            "shapely: polygon + enclosing circle",
            lambda: optics.cut_out(Outline(points), small, **centre),
            lambda: shapely.minimum_bounding_radius(shapely.Polygon(points)),
            repeat=20,
        )
    )
    print(
        line(
            "edge thickness, toric, 400 points",
            "plain numpy, textbook sagittas",
            lambda: optics.edge_profile(lens, outline),
            lambda: torus_reference(points, 200, radii[0], radii[1], 1.5),
            repeat=50,
        )
    )
    print(
        line(
            "volume, toric, 400 points",
            "plain numpy thickness at as many nodes",
            lambda: optics.shaped_volume_mm3(lens, outline),
            lambda: torus_reference(np.repeat(points, 16, axis=0), 200, radii[0], radii[1], 1.5).sum(),
            repeat=20,
        )
    )
    print_scalar_calls()


def print_scalar_calls() -> None:
    """What one order costs: single calls in microseconds, without a reference."""
    power = SpheroCylinder(-4, -2, 30)
    frame = FrameInput(boxed=BoxedFrame(52, 36, 18, 55), panto_deg=8, wrap_deg=5)
    lens = LensInput(
        index=1.6,
        abbe=41,
        density_g_cm3=1.3,
        diameter_mm=62,
        front_power_dpt=3,
        minimum_centre_mm=1.5,
        minimum_edge_mm=1,
    )
    eyes = [EyeInput(eye=eye, power=power, mono_pd_mm=31, height_mm=20) for eye in Eye]
    calls: dict[str, tuple[Call, int]] = {
        "SpheroCylinder(...)": (lambda: SpheroCylinder(-4, -2, 30), 5000),
        "power.transposed()": (power.transposed, 5000),
        "power.at_vertex(12, 0)": (lambda: power.at_vertex(12, 0), 5000),
        "prism_at(power, 3, 4)": (lambda: optics.prism_at(power, 3, 4), 5000),
        "compute_pair(...), untraced, small blank": (lambda: optics.compute_pair(*eyes, frame, lens, lens), 20),
    }
    print()
    print(f"{'one call':<44}{'us':>10}")
    for name, (call, repeat) in calls.items():
        print(f"{name:<44}{best_of(call, 5, repeat) * 1e6:>10.1f}")


if __name__ == "__main__":
    main()
