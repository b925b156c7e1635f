"""Colour fringes: transverse and longitudinal chromatic aberration from prism, power and Abbe number.

TCA = P / V (prism dioptres), LCA = F / V (dioptres). About 0.1 prism dioptres is the usual threshold of
awareness (common practice). The Abbe number must belong to the same line (d or e) as the index.
"""

from __future__ import annotations

from ._numeric import Numeric, Result, numbers, plain, within

AWARENESS_PDPT = 0.1


def transverse_chromatic_pdpt(prism_pdpt: Numeric, abbe: Numeric) -> Result:
    """Transverse chromatic aberration of a prism; Abbe numbers 10 to 120."""
    prism, v = numbers(prism_pdpt=prism_pdpt, abbe=abbe)
    return plain(prism / within(v, "abbe", 10.0, 120.0))


def longitudinal_chromatic_dpt(power_dpt: Numeric, abbe: Numeric) -> Result:
    """Longitudinal chromatic aberration of a power, signed like the power."""
    power, v = numbers(power_dpt=power_dpt, abbe=abbe)
    return plain(power / within(v, "abbe", 10.0, 120.0))
