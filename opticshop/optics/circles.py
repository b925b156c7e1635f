"""Two exact questions about circles and points: the smallest enclosing circle, and the shortest move into discs.

Both are solved the same way: keep the few points (or discs) that decide the answer, look for the one that is
violated most, and let it join. The objective grows with every step, so the loop ends at the exact optimum.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ._numeric import FloatArray
from .errors import OpticsError

_MOST_STEPS = 1000
_TOUCHING_MM = 1e-9


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle in the common frame, mm."""

    x_mm: float
    y_mm: float
    radius_mm: float


def smallest_enclosing_circle(points_mm: FloatArray) -> Circle:
    """The smallest circle that holds every point of an (n, 2) array."""
    points = np.asarray(points_mm, dtype=np.float64)
    middle = 0.5 * (points.min(axis=0) + points.max(axis=0))
    basis = [int(np.argmax(((points - middle) ** 2).sum(axis=1)))]
    centre, radius = points[basis[0]], 0.0
    while True:
        distances = _lengths(points - centre)
        farthest = int(np.argmax(distances))
        grown = _circle_of_few(points, [*basis, farthest])
        if farthest in basis or grown[2] <= radius:
            return Circle(float(centre[0]), float(centre[1]), float(distances[farthest]))
        basis, centre, radius = grown


def _circle_of_few(points: FloatArray, members: list[int]) -> tuple[list[int], FloatArray, float]:
    """The smallest circle around at most four points: the best of the circles on every pair and every triple."""
    best: tuple[list[int], FloatArray, float] = (members[:1], points[members[0]], np.inf)
    for chosen in (subset for size in (2, 3) for subset in combinations(members, size)):
        centre = _middle_of(points[list(chosen)])
        if centre is not None:
            radius = float(_lengths(points[members] - centre).max())
            if radius < best[2]:
                best = (list(chosen), centre, radius)
    return best


def _middle_of(corners: FloatArray) -> FloatArray | None:
    """Midpoint of two points, centre of the circle through three (None when they lie on a line)."""
    if len(corners) == 2:
        return np.asarray(0.5 * (corners[0] + corners[1]))
    (bx, by), (cx, cy) = corners[1] - corners[0], corners[2] - corners[0]
    twice = 2.0 * (bx * cy - by * cx)
    if abs(twice) < 1e-12:
        return None
    b2, c2 = bx * bx + by * by, cx * cx + cy * cy
    return np.asarray(corners[0] + np.array([cy * b2 - by * c2, bx * c2 - cx * b2]) / twice)


def _lengths(vectors: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(vectors[:, 0], vectors[:, 1]))


def shortest_move_into_discs(centres_mm: FloatArray, radii_mm: FloatArray) -> tuple[float, float] | None:
    """The shortest vector from the origin to a point that lies in every disc, or None when no point does.

    Discs are an (n, 2) array of centres and n radii. At most two discs decide the answer; three decide that
    there is none (Helly). Touching counts as inside, to 1e-9 mm.
    """
    centres, radii = np.asarray(centres_mm, dtype=np.float64), np.asarray(radii_mm, dtype=np.float64)
    if radii.min() < 0.0:
        return None
    move = np.zeros(2)
    basis: list[int] = []
    for _ in range(_MOST_STEPS):
        excess = _lengths(centres - move) - radii
        worst = int(np.argmax(excess))
        if excess[worst] <= _TOUCHING_MM or worst in basis:
            return float(move[0]), float(move[1])
        found = _move_into_few(centres, radii, [*basis, worst])
        if found is None:
            return None
        basis, move = found
    raise OpticsError("the shortest move did not settle", field="centres_mm")


def _move_into_few(centres: FloatArray, radii: FloatArray, members: list[int]) -> tuple[list[int], FloatArray] | None:
    """The shortest move into at most three discs: to the nearest rim of one, or to a crossing of two rims."""
    best: tuple[list[int], FloatArray] | None = None
    for chosen in (subset for size in (1, 2) for subset in combinations(members, size)):
        for move in _rim_points(centres[list(chosen)], radii[list(chosen)]):
            if best is not None and np.hypot(*move) >= np.hypot(*best[1]):
                continue
            if np.all(_lengths(centres[members] - move) <= radii[members] + _TOUCHING_MM):
                best = (list(chosen), move)
    return best


def _rim_points(centres: FloatArray, radii: FloatArray) -> list[FloatArray]:
    if len(centres) == 1:
        distance = float(np.hypot(*centres[0]))
        return [centres[0] * (1.0 - radii[0] / distance)] if distance > radii[0] else [np.zeros(2)]
    apart = centres[1] - centres[0]
    distance = float(np.hypot(*apart))
    if distance == 0.0:
        return []
    along = 0.5 * (distance + (radii[0] ** 2 - radii[1] ** 2) / distance)
    across_squared = radii[0] ** 2 - along * along
    if across_squared < -1e-9 * (1.0 + radii[0]):
        return []
    foot = centres[0] + apart * (along / distance)
    across = np.array([-apart[1], apart[0]]) * (max(across_squared, 0.0) ** 0.5 / distance)
    return [foot + across, foot - across]
