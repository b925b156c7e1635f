"""Judging a measured lens, or a mounted pair, against a tolerance standard.

Signs and units, everywhere in this module: powers in dioptres; axis in degrees, 0 to 180, seen from the
front, anticlockwise (0 and 180 are the same); prism in prism dioptres, base in and base up positive for each
eye; lengths in mm. All numbers are exact `Decimal`s; `int` and numeric text are accepted and converted,
`float` is refused.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from decimal import Decimal
from typing import ClassVar, Literal, Self

from opticshop.optics.conformity import Confidence, DecimalPower, Exact, exact
from opticshop.optics.errors import OpticsError

from .errors import InvalidFacts, UnknownStandard
from .types import NO_SETTINGS, Eye, JsonReady, Settings, Side, no_settings

LensKind = Literal["single_vision", "multifocal", "power_variation"]
Outcome = Literal["pass", "fail", "undecided", "incomplete"]
LineOutcome = Literal["pass", "fail", "undecided", "not_applicable", "not_measured"]
AppliesTo = Literal["mounted", "uncut"]

LENS_KINDS: frozenset[LensKind] = frozenset(("single_vision", "multifocal", "power_variation"))

PARAMETERS = {
    "power_m1": "power in the first principal meridian",
    "power_m2": "power in the second principal meridian",
    "sphere": "sphere (minus-cylinder form)",
    "cylinder": "cylinder",
    "axis": "cylinder axis",
    "add": "addition",
    "prism_horizontal": "horizontal prism",
    "prism_vertical": "vertical prism",
    "prism_reference_point": "prism at the reference point",
    "centre_distance": "distance of the centres",
    "centre_height_difference": "height difference of the centres",
    "segment_height": "segment height",
    "segment_height_difference": "height difference of the segments",
    "segment_distance": "distance between the segments",
    "fitting_point_height": "fitting point height",
    "fitting_point_height_difference": "height difference of the fitting points",
    "fitting_point_distance": "fitting point distance from the middle of the bridge",
    "tilt": "tilt of the segment or of the permanent marks",
    "centre_thickness": "centre thickness",
}
"""Names of what is judged, with the words for people. A standard may add names of its own."""


class _Exact:
    """Turns the Decimal fields of a dataclass into exact `Decimal`s."""

    __slots__ = ()

    @classmethod
    def of(cls, **values: Exact | None) -> Self:
        """The same as the constructor, with numbers as int or text: `LensValues.of(sphere_dpt="-2.00")`."""
        return cls(**values)

    def _make_exact(self, *names: str) -> None:
        for name in names:
            value = getattr(self, name)
            if value is not None:
                try:
                    object.__setattr__(self, name, exact(value, name))
                except OpticsError as error:
                    raise InvalidFacts(error.message, field=name) from None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensValues(JsonReady, _Exact):
    """One lens, as ordered or as measured. None means "not ordered" or "not measured".

    An order without a cylinder, prism or tilt orders none. A measurement without one leaves it unknown, which
    is not the same: write 0 when the focimeter shows none. `centration_distance_mm` runs from the middle of
    the bridge (boxed) to the optical centre, or to the fitting point of a power-variation lens;
    `centration_height_mm` and `segment_height_mm` start at the lowest boxed tangent.
    """

    sphere_dpt: Decimal | None = None
    cylinder_dpt: Decimal | None = None
    axis_deg: Decimal | None = None
    add_dpt: Decimal | None = None
    prism_in_dpt: Decimal | None = None
    prism_up_dpt: Decimal | None = None
    centration_distance_mm: Decimal | None = None
    centration_height_mm: Decimal | None = None
    segment_height_mm: Decimal | None = None
    centre_thickness_mm: Decimal | None = None
    tilt_deg: Decimal | None = None

    def __post_init__(self) -> None:
        self._make_exact(*(item.name for item in fields(self)))
        if self.axis_deg is not None and not 0 <= self.axis_deg <= 180:
            raise InvalidFacts("the axis lies between 0 and 180 degrees", field="axis_deg")
        if self.cylinder_dpt and self.axis_deg is None:
            raise InvalidFacts("a cylinder needs an axis", field="axis_deg")
        if self.cylinder_dpt is not None and self.sphere_dpt is None:
            raise InvalidFacts("a cylinder needs a sphere", field="sphere_dpt")

    @property
    def power(self) -> DecimalPower | None:
        """Sphere, cylinder and axis together; None without a sphere. A missing cylinder counts as none."""
        if self.sphere_dpt is None:
            return None
        return DecimalPower(self.sphere_dpt, self.cylinder_dpt or Decimal(0), self.axis_deg)

    def transposed(self) -> LensValues:
        """The same lens written in the other cylinder sign."""
        if self.power is None:
            return self
        power = self.power.transposed()
        cylinder = None if self.cylinder_dpt is None else power.cylinder_dpt
        return replace(self, sphere_dpt=power.sphere_dpt, cylinder_dpt=cylinder, axis_deg=power.axis_deg)


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeInspection(JsonReady):
    """One lens: what was ordered (or stated by the maker as the value to verify) and what was measured."""

    ordered: LensValues
    measured: LensValues

    def __post_init__(self) -> None:
        if self.ordered.sphere_dpt is None:
            raise InvalidFacts("an ordered lens has a power", field="sphere_dpt")


@dataclass(frozen=True, slots=True, kw_only=True)
class PairInspection(JsonReady, _Exact):
    """What is measured on the two mounted lenses together.

    Centre distance: between the optical centres. Height difference: right centre above left positive. Segment
    distance: between the middles of the segments. `visual_findings` travel with the record and are not
    judged.
    """

    ordered_centre_distance_mm: Decimal | None = None
    measured_centre_distance_mm: Decimal | None = None
    measured_height_difference_mm: Decimal | None = None
    ordered_segment_distance_mm: Decimal | None = None
    measured_segment_distance_mm: Decimal | None = None
    visual_findings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self._make_exact(*(item.name for item in fields(self) if item.name != "visual_findings"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty(JsonReady, _Exact):
    """Expanded uncertainty (coverage factor 2) of each judged quantity; None means the plain reading is
    judged.

    Each value applies to the quantity as judged: `power_dpt` to a meridian, a cylinder and an addition,
    `prism_dpt` to the (relative) prism, `length_mm` to distances, heights and thickness. Where prism is
    computed from a length, the uncertainty is computed from that of the length.
    """

    power_dpt: Decimal | None = None
    axis_deg: Decimal | None = None
    prism_dpt: Decimal | None = None
    length_mm: Decimal | None = None

    def __post_init__(self) -> None:
        names = [item.name for item in fields(self)]
        self._make_exact(*names)
        for name in names:
            value = getattr(self, name)
            if value is not None and value < 0:
                raise InvalidFacts("an uncertainty is not negative", field=name)


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionRequest(JsonReady):
    """Everything one evaluation may look at. At least one eye; the pair is judged when both are there.

    `settings` are the branch's settings of the plugin that owns the standard.
    """

    lens_kind: LensKind
    right: EyeInspection | None = None
    left: EyeInspection | None = None
    pair: PairInspection | None = None
    uncertainty: Uncertainty | None = None
    settings: Settings = field(default_factory=no_settings, hash=False)

    def __post_init__(self) -> None:
        if self.right is None and self.left is None:
            raise InvalidFacts("an inspection needs at least one lens", field="right")

    @property
    def lenses(self) -> tuple[tuple[Eye, EyeInspection], ...]:
        """The lenses that are there, right first."""
        both: tuple[tuple[Eye, EyeInspection | None], ...] = (("right", self.right), ("left", self.left))
        return tuple((eye, lens) for eye, lens in both if lens is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitDescription(JsonReady):
    """One limit for display: `limit` is text such as "0.12" or "0.33 + 0.2 x highest principal power"."""

    parameter: str
    band: str
    limit: str
    unit: str
    clause: str
    confidence: Confidence
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictLine(JsonReady):
    """One parameter of one lens or of the pair.

    `deviation` is measured minus ordered (the angle between the axes for an axis, never negative). `limit` is
    symmetric and inclusive, None when the standard states none. `reading_conforms` is the plain comparison
    and stands beside `outcome`, which is "undecided" when the reading is closer to the limit than
    `expanded_uncertainty`. `probability_of_conformity` is None without an uncertainty. `reason` is one plain
    sentence, `note` an assumption behind the numbers.
    """

    parameter: str
    eye: Side
    outcome: LineOutcome
    unit: str
    reason: str
    ordered: Decimal | None = None
    measured: Decimal | None = None
    deviation: Decimal | None = None
    limit: Decimal | None = None
    clause: str = ""
    confidence: Confidence | None = None
    source: str = ""
    reading_conforms: bool | None = None
    near_limit: bool = False
    expanded_uncertainty: Decimal | None = None
    probability_of_conformity: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict(JsonReady):
    """The decision and everything it rests on.

    `outcome`: fail if a line fails, else incomplete if something needed was not measured, else undecided if a
    line is, else pass. `missing` names what was needed, as "<eye>.<parameter>". `leaned_on_unconfirmed` says
    that at least one judged line used a limit which was not read in a text of the standard: such a verdict
    helps the workshop and is not a claim of conformity.
    """

    outcome: Outcome
    standard_key: str
    standard_title: str
    lines: tuple[VerdictLine, ...]
    missing: tuple[str, ...] = ()
    leaned_on_unconfirmed: bool = False
    notes: tuple[str, ...] = ()

    def line(self, parameter: str, eye: Side) -> VerdictLine:
        """The line of that parameter and eye. Raises `KeyError`."""
        for line in self.lines:
            if (line.parameter, line.eye) == (parameter, eye):
                return line
        raise KeyError(f"{eye}.{parameter}")


@dataclass(frozen=True, slots=True)
class StandardContext:
    """The standards in force at a branch, and the way to ask one of them.

    The host fills `standards` and `settings`, both by standard key, and calls `context.evaluate(key,
    request)`: that way each standard gets the settings of its own plugin. A standard that builds on another
    asks it by the same call. A standard that is not there is refused, and so is a chain that comes back to
    one already asked.
    """

    standards: Mapping[str, ToleranceStandard] = field(default_factory=dict, hash=False)
    settings: Mapping[str, Settings] = field(default_factory=dict, hash=False)
    asked: tuple[str, ...] = ()

    def evaluate(self, key: str, request: InspectionRequest) -> Verdict:
        """The verdict of the standard `key` under its own settings. Raises `UnknownStandard`."""
        standard, inner = self._ask(key)
        return standard.evaluate(replace(request, settings=self.settings.get(key, NO_SETTINGS)), inner)

    def limits(self, key: str) -> Sequence[LimitDescription]:
        """The limits of the standard `key` under its own settings. Raises `UnknownStandard`."""
        standard, inner = self._ask(key)
        return standard.limits(self.settings.get(key, NO_SETTINGS), inner)

    def _ask(self, key: str) -> tuple[ToleranceStandard, StandardContext]:
        if key in self.asked:
            raise UnknownStandard(f"the standard {key} is built on itself: {' -> '.join((*self.asked, key))}")
        if key not in self.standards:
            raise UnknownStandard(f"the standard {key} is not installed or not active at this branch")
        return self.standards[key], replace(self, asked=(*self.asked, key))


ALONE = StandardContext()
"""No other standards: enough for every standard that stands on its own tables."""


class ToleranceStandard(ABC):
    """One edition of one standard. `key` is kebab-case and unique, such as "iso-21987-2017".

    A request for a kind outside `lens_kinds` gets an incomplete verdict, never a pass.
    """

    standard: ClassVar[str]
    edition: ClassVar[str]
    key: ClassVar[str]
    title: ClassVar[str]
    applies_to: ClassVar[AppliesTo]
    lens_kinds: ClassVar[frozenset[LensKind]] = LENS_KINDS

    @abstractmethod
    def limits(self, settings: Settings = NO_SETTINGS, context: StandardContext = ALONE) -> Sequence[LimitDescription]:
        """Every limit with its clause, confidence and source, for display."""

    @abstractmethod
    def evaluate(self, request: InspectionRequest, context: StandardContext = ALONE) -> Verdict:
        """Judge. Pure: the same request gives the same verdict; writing a power in the other cylinder sign
        changes nothing; a value that was not measured never passes. Raises `UnknownStandard` when it builds
        on a standard that `context` does not hold; an exception of any other kind counts as a defect of the
        plugin, and the host then records no verdict at all.
        """
