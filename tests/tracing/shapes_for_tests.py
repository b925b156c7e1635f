"""Shapes whose sizes are known, written as trace records."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

EXAMPLE = (
    b"JOB=000123\r\nDBL=18.00\r\nHBOX=50.00;50.00\r\nVBOX=50.00;50.00\r\n"
    b"TRCFMT=1;8;E;R;F\r\nR=2500;2500;2500;2500\r\nR=2500;2500;2500;2500\r\n"
    b"TRCFMT=1;8;E;L;F\r\nR=2500;2500;2500;2500\r\nR=2500;2500;2500;2500\r\n"
)


def ellipse_radius(a_mm: float, b_mm: float, angle: float) -> float:
    return 1 / math.hypot(math.cos(angle) / (a_mm / 2), math.sin(angle) / (b_mm / 2))


def rectangle_radius(a_mm: float, b_mm: float, angle: float) -> float:
    across, up = abs(math.cos(angle)) / (a_mm / 2), abs(math.sin(angle)) / (b_mm / 2)
    return 1 / max(across, up)


def off_centre_circle_radius(radius_mm: float, x_mm: float, y_mm: float, angle: float) -> float:
    """From (x, y) inside a circle about the origin to its edge."""
    along = x_mm * math.cos(angle) + y_mm * math.sin(angle)
    return -along + math.sqrt(along * along - (x_mm * x_mm + y_mm * y_mm - radius_mm * radius_mm))


def lopsided_radius(angle: float) -> float:
    """A lens shape that is not its own mirror image (right eye)."""
    return 24 * (1 + 0.06 * math.cos(3 * angle + 0.6) + 0.10 * math.cos(2 * angle))


def dataset(
    radius: Callable[[float], float],
    *,
    count: int = 400,
    side: str = "R",
    angles_deg: Sequence[float] | None = None,
    kind: str = "F",
) -> str:
    angles = np.arange(count) * 360 / count if angles_deg is None else np.asarray(angles_deg)
    lines = [f"TRCFMT=1;{len(angles)};{'E' if angles_deg is None else 'U'};{side};{kind}"]
    radii = [round(100 * radius(math.radians(angle))) for angle in angles]
    lines += [f"R={';'.join(map(str, radii[at : at + 10]))}" for at in range(0, len(radii), 10)]
    if angles_deg is not None:
        whole = [round(100 * angle) for angle in angles]
        lines += [f"A={';'.join(map(str, whole[at : at + 10]))}" for at in range(0, len(whole), 10)]
    return "".join(f"{line}\r\n" for line in lines)


def both_eyes(radius: Callable[[float], float] = lopsided_radius, *, head: str = "", count: int = 400) -> bytes:
    """A right eye and its mirror image."""
    left = dataset(lambda angle: radius(math.pi - angle), side="L", count=count)
    return (head + dataset(radius, count=count) + left).encode()
