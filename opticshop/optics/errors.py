"""Errors of the optics core.

Everything raised on purpose by `opticshop.optics` is an `OpticsError`. It is a `ValueError`, it never
carries a traceback's worth of detail, and its `code` is stable: callers may switch on it, translate it, or
show `message`.
"""

from __future__ import annotations

from typing import ClassVar


class OpticsError(ValueError):
    """A value or a combination of values for which no lens, prism or shape exists.

    Attributes: `code` (stable, dotted), `message` (one plain sentence), `field` (the name of the argument at
    fault, or None when the fault lies in a combination of several).
    """

    default_code: ClassVar[str] = "optics.invalid"

    def __init__(self, message: str, *, field: str | None = None, code: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.field = field
        self.code = code or self.default_code

    def __str__(self) -> str:
        return f"{self.message} [{self.code}]" if self.field is None else f"{self.field}: {self.message} [{self.code}]"


class InvalidNumber(OpticsError):
    """Not a finite real number: nan, infinity, text, or a binary float where an exact decimal is required."""

    default_code = "optics.invalid_number"


class OutOfRange(OpticsError):
    """A finite number outside the range in which the quantity has a meaning."""

    default_code = "optics.out_of_range"


class ShapeMismatch(OpticsError):
    """Arrays that do not broadcast against each other."""

    default_code = "optics.shape_mismatch"


class SingularPower(OpticsError):
    """The vergence reaches a pole: 1 - d F = 0 in effectivity, or 1 - (t/n) F1 = 0 in a vertex power."""

    default_code = "optics.singular_power"


class SurfaceTooSteep(OpticsError):
    """The surface does not reach the height asked for: y >= |r|."""

    default_code = "optics.surface_too_steep"


class ImpossibleThickness(OpticsError):
    """No lens of positive thickness satisfies the demand."""

    default_code = "optics.impossible_thickness"


class InvalidOutline(OpticsError):
    """The points do not describe one simple closed shape around its boxed centre."""

    default_code = "optics.invalid_outline"


class MissingMeasurement(OpticsError):
    """A measurement without which nothing sensible can be computed."""

    default_code = "optics.missing_measurement"


class NoBand(OpticsError):
    """A tolerance table has no row for the value."""

    default_code = "optics.no_band"


class InvalidBandTable(OpticsError):
    """Rows of a tolerance table that overlap, leave a gap, or are not in ascending order."""

    default_code = "optics.invalid_band_table"
