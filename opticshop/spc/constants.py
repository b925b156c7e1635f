"""Constants of the range of n normal values: a table of data.

d2 is the expected range in standard deviations, d3 its standard deviation. The five decimals were computed from the
distribution of the range; the usual tables (ASTM manual on presentation of data, NIST e-Handbook 6.3.2, AIAG MSA) give
the same to their three or four decimals. From them follow
    A2 = 3 / (d2 sqrt(n)),  D3 = max(0, 1 - 3 d3 / d2),  D4 = 1 + 3 d3 / d2,
and, for one sample of n, d2* = sqrt(d2^2 + d3^2) (AIAG MSA, appendix C, g = 1).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .errors import SpcError

#: n -> (d2, d3).
_RANGE: dict[int, tuple[float, float]] = {
    2: (1.12838, 0.85250),
    3: (1.69257, 0.88837),
    4: (2.05875, 0.87981),
    5: (2.32593, 0.86408),
    6: (2.53441, 0.84804),
    7: (2.70436, 0.83321),
    8: (2.84720, 0.81983),
    9: (2.97003, 0.80783),
    10: (3.07751, 0.79705),
    11: (3.17287, 0.78731),
    12: (3.25846, 0.77848),
    13: (3.33598, 0.77042),
    14: (3.40676, 0.76302),
    15: (3.47183, 0.75621),
}
LARGEST = max(_RANGE)


@dataclass(frozen=True, slots=True)
class RangeConstants:
    n: int
    d2: float
    d3: float

    @property
    def a2(self) -> float:
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def lower(self) -> float:
        """D3."""
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def upper(self) -> float:
        """D4."""
        return 1 + 3 * self.d3 / self.d2

    @property
    def d2_star(self) -> float:
        """d2* for the range of a single sample."""
        return math.hypot(self.d2, self.d3)


def range_constants(n: int) -> RangeConstants:
    """The constants for samples of n values. Raises SpcError outside 2 to 15."""
    if n not in _RANGE:
        raise SpcError(f"ranges are taken of 2 to {LARGEST} values, not {n}")
    return RangeConstants(n, *_RANGE[n])
