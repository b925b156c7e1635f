"""Exact tools for judging a measured lens against a tolerance standard.

Pure `Decimal`: 2.12 - 2.00 is 0.12 here, and a deviation equal to its limit passes. Binary floats are
refused, because a limit decided by the last bit of a float is not a limit. No standard's numbers live in
this module; the tables are data (`Band`, `BandTable`, `BandGrid`) that carry their clause and how well they
are known.

The guard-band decision follows the idea of ISO 14253-1: a reading closer to the limit than its expanded
uncertainty proves neither conformity nor nonconformity. It never replaces the verdict on the reading itself,
which stays in `GuardedDecision.reading_conforms`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from .errors import InvalidBandTable, InvalidNumber, NoBand, OutOfRange

Exact = Decimal | int | str
"""What the functions below accept as a number: never a float."""

_ZERO = Decimal(0)
_RIGHT_ANGLE = Decimal(90)
_HALF_TURN = Decimal(180)
_LARGEST_EXPONENT = 9


class Confidence(StrEnum):
    """How well a tabulated number is known."""

    CONFIRMED = "confirmed"
    PARTLY_CONFIRMED = "partly_confirmed"
    FROM_MEMORY = "from_memory"
    DOUBTFUL = "doubtful"
    CONVENTION = "convention"


def exact(value: Exact, field: str | None = None) -> Decimal:
    """The value as a finite `Decimal`. Raises `InvalidNumber` for floats, nan, infinity and text that is no number."""
    if isinstance(value, bool) or not isinstance(value, Decimal | int | str):
        raise InvalidNumber(f"an exact decimal is required, not {type(value).__name__}", field=field)
    try:
        number = Decimal(value)
    except InvalidOperation:
        raise InvalidNumber(f"{value!r} is not a number", field=field) from None
    if not number.is_finite():
        raise InvalidNumber(f"{value!r} is not finite", field=field)
    if number and number.adjusted() > _LARGEST_EXPONENT:
        raise OutOfRange(f"{value!r} is too large for any quantity of a spectacle lens", field=field)
    return number


def folded_axis_deg(axis_deg: Exact) -> Decimal:
    """The axis folded into (0, 180]; 0 becomes 180. Exact for every decimal."""
    folded = exact(axis_deg, "axis_deg") % _HALF_TURN
    return folded + _HALF_TURN if folded <= 0 else folded


def axis_difference_deg(axis_a_deg: Exact, axis_b_deg: Exact) -> Decimal:
    """The smaller angle between two axes, 0 to 90: 179 and 1 differ by 2, and 0 equals 180."""
    difference = abs(exact(axis_a_deg, "axis_a_deg") - exact(axis_b_deg, "axis_b_deg")) % _HALF_TURN
    return min(difference, _HALF_TURN - difference)


@dataclass(frozen=True, slots=True)
class DecimalPower:
    """A sphero-cylindrical power in exact dioptres, as ordered or as read from the focimeter.

    `axis_deg` is folded into (0, 180]; it may be None only when the cylinder is zero. Numbers may be given as
    Decimal, int or str; they are stored as Decimal.
    """

    sphere_dpt: Decimal
    cylinder_dpt: Decimal = _ZERO
    axis_deg: Decimal | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "sphere_dpt", exact(self.sphere_dpt, "sphere_dpt"))
        object.__setattr__(self, "cylinder_dpt", exact(self.cylinder_dpt, "cylinder_dpt"))
        if self.axis_deg is not None:
            axis = exact(self.axis_deg, "axis_deg")
            if not 0 <= axis <= _HALF_TURN:
                raise OutOfRange("the axis must lie between 0 and 180 degrees", field="axis_deg")
            object.__setattr__(self, "axis_deg", folded_axis_deg(axis))
        elif self.cylinder_dpt != 0:
            raise OutOfRange("a cylinder needs an axis", field="axis_deg")

    @property
    def is_spherical(self) -> bool:
        return self.cylinder_dpt == 0

    @property
    def principal_powers_dpt(self) -> tuple[Decimal, Decimal]:
        """(m1, m2) = (sphere, sphere + cylinder): the powers along the axis and at right angles to it."""
        return self.sphere_dpt, self.sphere_dpt + self.cylinder_dpt

    @property
    def highest_absolute_power_dpt(self) -> Decimal:
        """The greater absolute principal power."""
        m1, m2 = self.principal_powers_dpt
        return max(abs(m1), abs(m2))

    def transposed(self) -> DecimalPower:
        """The same lens in the other cylinder sign. A sphere has only one form and is returned as it is."""
        if self.cylinder_dpt == 0 or self.axis_deg is None:
            return self
        return DecimalPower(
            self.sphere_dpt + self.cylinder_dpt,
            -self.cylinder_dpt,
            folded_axis_deg(self.axis_deg + _RIGHT_ANGLE),
        )

    def to_minus_cylinder(self) -> DecimalPower:
        return self.transposed() if self.cylinder_dpt > 0 else self

    def to_plus_cylinder(self) -> DecimalPower:
        return self.transposed() if self.cylinder_dpt < 0 else self

    def in_cylinder_sign_of(self, ordered: DecimalPower) -> DecimalPower:
        """This (measured) power in the cylinder sign of `ordered`.

        Unchanged when either is a sphere: then both principal powers are compared with the same ordered power
        and the form does not matter.
        """
        return self.transposed() if self.cylinder_dpt * ordered.cylinder_dpt < 0 else self


@dataclass(frozen=True, slots=True)
class PowerDeviation:
    """Measured minus ordered, after bringing the measured power to the ordered cylinder sign.

    `axis_deg` is the absolute axis difference, None when ordered or measured is a sphere.
    """

    m1_dpt: Decimal
    m2_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: Decimal | None


def power_deviation(ordered: DecimalPower, measured: DecimalPower) -> PowerDeviation:
    """The signed deviations of both principal powers and the cylinder, and the absolute axis difference."""
    same_form = measured.in_cylinder_sign_of(ordered)
    m1, m2 = (m - o for m, o in zip(same_form.principal_powers_dpt, ordered.principal_powers_dpt, strict=True))
    axis = None
    if not ordered.is_spherical and not same_form.is_spherical:
        assert ordered.axis_deg is not None
        assert same_form.axis_deg is not None
        axis = axis_difference_deg(same_form.axis_deg, ordered.axis_deg)
    cylinder = same_form.cylinder_dpt - ordered.cylinder_dpt
    return PowerDeviation(
        m1_dpt=m1, m2_dpt=m2, cylinder_dpt=abs(cylinder) if ordered.is_spherical else cylinder, axis_deg=axis
    )


@dataclass(frozen=True, slots=True)
class Band:
    """One row of a tolerance table: values above `over` up to and including `up_to`.

    `over` None means no lower end, `up_to` None no upper end. `limit` None says that the standard states no
    limit in this band. A limit that grows with a quantity (2 % of the sphere, the effect of 2 mm at the
    highest power) is `limit + per_unit x quantity`. The two flags serve tables whose rows begin with "from"
    rather than "over".
    """

    over: Decimal | None
    up_to: Decimal | None
    limit: Decimal | None
    clause: str
    confidence: Confidence
    per_unit: Decimal = _ZERO
    includes_over: bool = False
    includes_up_to: bool = True

    def __post_init__(self) -> None:
        for name in ("over", "up_to", "limit", "per_unit"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, exact(value, name))
        if self.over is not None and self.up_to is not None and self.over >= self.up_to:
            raise InvalidBandTable("a band must end above its beginning", field="up_to")
        if self.limit is not None and self.limit < 0:
            raise InvalidBandTable("a limit cannot be negative", field="limit")

    def contains(self, value: Exact) -> bool:
        number = exact(value, "value")
        if self.over is not None and (number < self.over or (number == self.over and not self.includes_over)):
            return False
        return self.up_to is None or number < self.up_to or (number == self.up_to and self.includes_up_to)

    def limit_for(self, quantity: Exact = _ZERO) -> Decimal | None:
        """`limit + per_unit x |quantity|`, or None when no limit is stated."""
        return None if self.limit is None else self.limit + self.per_unit * abs(exact(quantity, "quantity"))


@dataclass(frozen=True, slots=True)
class BandTable:
    """Rows of one tolerance table, ascending, without gap or overlap (checked at construction)."""

    name: str
    bands: tuple[Band, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "bands", tuple(self.bands))
        if not self.bands:
            raise InvalidBandTable("a table needs at least one band", field="bands")
        for lower, upper in zip(self.bands, self.bands[1:], strict=False):
            if lower.up_to is None or upper.over is None or lower.up_to != upper.over:
                raise InvalidBandTable(f"{self.name}: rows must join without gap or overlap", field="bands")
            if lower.includes_up_to == upper.includes_over:
                raise InvalidBandTable(
                    f"{self.name}: the edge {upper.over} must belong to exactly one row", field="bands"
                )

    def band_for(self, value: Exact) -> Band:
        """The row that holds `value` (the ordered value, never the measured one). Raises `NoBand`."""
        number = exact(value, "value")
        for band in self.bands:
            if band.contains(number):
                return band
        raise NoBand(f"{self.name} has no row for {number}", field="value")


@dataclass(frozen=True, slots=True)
class GridRow:
    """One row of a two-way table: the row's own interval (over, up_to] and its columns."""

    over: Decimal | None
    up_to: Decimal | None
    columns: BandTable

    def as_band(self) -> Band:
        return Band(self.over, self.up_to, None, self.columns.name, Confidence.CONVENTION)


@dataclass(frozen=True, slots=True)
class BandGrid:
    """A two-way table, such as cylinder limits by highest principal power (rows) and cylinder (columns)."""

    name: str
    rows: tuple[GridRow, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "rows", tuple(self.rows))
        BandTable(self.name, tuple(row.as_band() for row in self.rows))

    def band_for(self, row_value: Exact, column_value: Exact) -> Band:
        """The cell for the two ordered values. Raises `NoBand`."""
        for row in self.rows:
            if row.as_band().contains(row_value):
                return row.columns.band_for(column_value)
        raise NoBand(f"{self.name} has no row for {row_value}", field="row_value")


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """A deviation against its limit. `margin` is what is left of the limit, negative when it is exceeded."""

    deviation: Decimal
    limit: Decimal | None
    conforms: bool
    margin: Decimal | None


def check_limit(deviation: Exact, limit: Exact | None) -> LimitCheck:
    """Judge |deviation| against a symmetric limit, inclusively. No limit stated (None) always conforms."""
    size = exact(deviation, "deviation")
    if limit is None:
        return LimitCheck(size, None, True, None)
    bound = exact(limit, "limit")
    if bound < 0:
        raise OutOfRange("a limit cannot be negative", field="limit")
    margin = bound - abs(size)
    return LimitCheck(size, bound, margin >= 0, margin)


class Verdict(StrEnum):
    """Outcome of a decision that takes the measurement uncertainty into account."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class GuardedDecision:
    """Verdict with a guard band of one expanded uncertainty at each limit.

    `reading_conforms` is the plain inclusive verdict on the reading; `probability_of_conformity` is the
    probability that the true deviation lies within the limits if errors are normal.
    """

    verdict: Verdict
    reading_conforms: bool
    probability_of_conformity: float
    deviation: Decimal
    lower_limit: Decimal | None
    upper_limit: Decimal | None
    expanded_uncertainty: Decimal

    @property
    def is_near_limit(self) -> bool:
        return self.verdict is Verdict.UNDECIDED


def decide_with_guard_band(
    deviation: Exact,
    *,
    lower_limit: Exact | None,
    upper_limit: Exact | None,
    standard_uncertainty: Exact | None = None,
    expanded_uncertainty: Exact | None = None,
    coverage_factor: Exact = 2,
) -> GuardedDecision:
    """Pass, fail or undecided, after the idea of ISO 14253-1 (from memory; defer to the standard's text).

    Give exactly one of `standard_uncertainty` u and `expanded_uncertainty` U = coverage_factor x u; all in
    the unit of the deviation. Pass: the deviation is at least U inside every limit (edge included). Fail:
    more than U outside a limit. Undecided: between. With U = 0 this is the plain inclusive check. Either
    limit may be None (one-sided); at least one must be given. Raises `OutOfRange` for a negative
    uncertainty or reversed limits.
    """
    size = exact(deviation, "deviation")
    factor = exact(coverage_factor, "coverage_factor")
    if factor <= 0:
        raise OutOfRange("the coverage factor must be positive", field="coverage_factor")
    if (standard_uncertainty is None) == (expanded_uncertainty is None):
        raise OutOfRange("give either the standard or the expanded uncertainty", field="expanded_uncertainty")
    if expanded_uncertainty is not None:
        guard = exact(expanded_uncertainty, "expanded_uncertainty")
    else:
        assert standard_uncertainty is not None
        guard = factor * exact(standard_uncertainty, "standard_uncertainty")
    if guard < 0:
        raise OutOfRange("an uncertainty cannot be negative", field="expanded_uncertainty")
    lower = None if lower_limit is None else exact(lower_limit, "lower_limit")
    upper = None if upper_limit is None else exact(upper_limit, "upper_limit")
    if lower is None and upper is None:
        raise OutOfRange("at least one limit is required", field="upper_limit")
    if lower is not None and upper is not None and lower > upper:
        raise OutOfRange("the lower limit lies above the upper one", field="lower_limit")

    def within(by: Decimal) -> bool:
        return (lower is None or size >= lower + by) and (upper is None or size <= upper - by)

    if within(guard):
        verdict = Verdict.PASS
    elif not within(-guard):
        verdict = Verdict.FAIL
    else:
        verdict = Verdict.UNDECIDED
    return GuardedDecision(
        verdict=verdict,
        reading_conforms=within(_ZERO),
        probability_of_conformity=_probability_between(size, lower, upper, guard / factor),
        deviation=size,
        lower_limit=lower,
        upper_limit=upper,
        expanded_uncertainty=guard,
    )


def decide_symmetric(deviation: Exact, limit: Exact, **uncertainty: Exact) -> GuardedDecision:
    """`decide_with_guard_band` for limits -limit and +limit; the uncertainty keywords are the same."""
    bound = exact(limit, "limit")
    if bound < 0:
        raise OutOfRange("a limit cannot be negative", field="limit")
    return decide_with_guard_band(deviation, lower_limit=-bound, upper_limit=bound, **uncertainty)


def _probability_between(size: Decimal, lower: Decimal | None, upper: Decimal | None, sigma: Decimal) -> float:
    if sigma == 0:
        return 1.0 if (lower is None or size >= lower) and (upper is None or size <= upper) else 0.0

    def below(bound: Decimal) -> float:
        return 0.5 * math.erfc(-float((bound - size) / sigma) / math.sqrt(2.0))

    return max(0.0, (1.0 if upper is None else below(upper)) - (0.0 if lower is None else below(lower)))
