"""How the tables are applied to one uncut lens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from typing import ClassVar

from opticshop.plugin_api import (
    ALONE,
    NO_SETTINGS,
    Eye,
    EyeInspection,
    InspectionRequest,
    LensKind,
    LimitDescription,
    Settings,
    StandardContext,
    ToleranceStandard,
    Verdict,
)
from opticshop.plugin_api.tolerance_kit import (
    Describes,
    Judge,
    LimitGrid,
    LimitTable,
    TableStandard,
    check_addition,
    check_axis,
    check_length,
    check_principal_powers,
    check_value,
)

from . import tables


class _Iso8980(TableStandard):
    """What both parts share; they differ in the table of powers and in the lenses they cover."""

    standard = "ISO 8980"
    edition = "2017"
    applies_to = "uncut"
    meridians: ClassVar[LimitTable]
    cylinders: ClassVar[LimitGrid]

    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        check_principal_powers(judge, eye, lens, meridians=self.meridians, cylinders=self.cylinders)
        check_axis(judge, eye, lens, tables.AXIS)
        check_addition(judge, eye, lens, tables.ADDITION)
        ordered, measured = lens.ordered, lens.measured
        _judge_prism(judge, eye, lens, ordered.prism_in_dpt, measured.prism_in_dpt, tables.PRISM_HORIZONTAL)
        _judge_prism(judge, eye, lens, ordered.prism_up_dpt, measured.prism_up_dpt, tables.PRISM_VERTICAL)
        check_length(judge, eye, ordered.centre_thickness_mm, measured.centre_thickness_mm, tables.CENTRE_THICKNESS)


class Iso8980Part1(_Iso8980):
    """ISO 8980-1:2017, uncut single-vision and multifocal lenses."""

    key = "iso-8980-1-2017"
    title = "ISO 8980-1:2017, uncut single-vision and multifocal lenses"
    lens_kinds: ClassVar[frozenset[LensKind]] = frozenset(("single_vision", "multifocal"))
    meridians = tables.MERIDIANS
    cylinders = tables.CYLINDERS
    limit_tables: ClassVar[tuple[Describes, ...]] = (
        tables.MERIDIANS,
        tables.CYLINDERS,
        tables.AXIS,
        tables.ADDITION,
        tables.PRISM_HORIZONTAL,
        tables.PRISM_VERTICAL,
        tables.CENTRE_THICKNESS,
    )


class Iso8980Part2(_Iso8980):
    """ISO 8980-2:2017, uncut power-variation lenses."""

    key = "iso-8980-2-2017"
    title = "ISO 8980-2:2017, uncut power-variation lenses"
    lens_kinds: ClassVar[frozenset[LensKind]] = frozenset(("power_variation",))
    meridians = tables.VARIATION_MERIDIANS
    cylinders = tables.VARIATION_CYLINDERS
    limit_tables: ClassVar[tuple[Describes, ...]] = (
        tables.VARIATION_MERIDIANS,
        tables.VARIATION_CYLINDERS,
        tables.AXIS,
        tables.ADDITION,
        tables.PRISM_HORIZONTAL,
        tables.PRISM_VERTICAL,
        tables.CENTRE_THICKNESS,
    )


class Iso8980(ToleranceStandard):
    """Both parts together: the kind of the lens decides on the part, and the verdict's title names it."""

    standard = "ISO 8980"
    edition = "2017"
    key = "iso-8980-2017"
    title = "ISO 8980:2017, uncut lenses, the part that fits the lens"
    applies_to = "uncut"

    def limits(self, settings: Settings = NO_SETTINGS, context: StandardContext = ALONE) -> Sequence[LimitDescription]:
        parts = (Iso8980Part1(), Iso8980Part2())
        return tuple(limit for part in parts for limit in part.limits(settings, context))

    def evaluate(self, request: InspectionRequest, context: StandardContext = ALONE) -> Verdict:
        part = Iso8980Part2() if request.lens_kind in Iso8980Part2.lens_kinds else Iso8980Part1()
        return replace(part.evaluate(request, context), standard_key=self.key, standard_title=part.title)


def _judge_prism(
    judge: Judge,
    eye: Eye,
    lens: EyeInspection,
    ordered: Decimal | None,
    measured: Decimal | None,
    table: LimitTable,
) -> None:
    """Prism at the reference point along one direction; none ordered counts as 0."""
    assert lens.ordered.power is not None
    wanted = ordered or Decimal(0)
    if measured is None:
        judge.not_measured(
            table.parameter, eye, table.unit, "The prism was not read; write 0 when none shows.", ordered=wanted
        )
        return
    limit = table.limit_for(abs(wanted), lens.ordered.power.highest_absolute_power_dpt)
    check_value(judge, table.parameter, eye, wanted, measured, limit, table.unit)
