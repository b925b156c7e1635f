"""Skeleton Name: a tolerance standard for opticshop."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from typing import ClassVar

from opticshop.plugin_api import (
    Confidence,
    Eye,
    EyeInspection,
    InspectionRequest,
    LensKind,
    PluginManifest,
    ToleranceStandard,
    hookimpl,
)
from opticshop.plugin_api.tolerance_kit import (
    Describes,
    Judge,
    LimitGrid,
    LimitTable,
    TableStandard,
    check_axis,
    check_principal_powers,
    check_value,
    fixed_limit,
    grid_row,
    row,
)

# Replace these invented limits by those of your standard, and say of each where it was read.
SOURCE = "invented for this example; no standard says so"
CLAUSE = "example"
INVENTED = Confidence.CONVENTION

MERIDIANS = LimitTable(
    parameter="power_m1 and power_m2",
    unit="D",
    by="highest absolute principal power",
    clause=CLAUSE,
    source=SOURCE,
    rows=(row(None, "6.00", "0.12", INVENTED), row("6.00", None, "0.25", INVENTED)),
)
CYLINDERS = LimitGrid(
    parameter="cylinder",
    unit="D",
    by_row="highest absolute principal power",
    by_column="absolute cylinder",
    clause=CLAUSE,
    source=SOURCE,
    rows=(grid_row(None, None, row(None, "2.00", "0.12", INVENTED), row("2.00", None, "0.18", INVENTED)),),
)
AXIS = LimitTable(
    parameter="axis",
    unit="°",
    by="absolute cylinder",
    clause=CLAUSE,
    source=SOURCE,
    rows=(row(None, "0.50", "7", INVENTED), row("0.50", "1.50", "4", INVENTED), row("1.50", None, "2", INVENTED)),
)
PRISM_HORIZONTAL = fixed_limit("prism_horizontal", "Δ", "0.50", CLAUSE, INVENTED, SOURCE)
PRISM_VERTICAL = fixed_limit("prism_vertical", "Δ", "0.33", CLAUSE, INVENTED, SOURCE)


class SkeletonNameStandard(TableStandard):
    """Judges uncut single-vision lenses, each by itself."""

    standard = "Skeleton Name"
    edition = "1"
    key = "skeleton-name-1"
    title = "Skeleton Name, uncut single-vision lenses"
    applies_to = "uncut"
    lens_kinds: ClassVar[frozenset[LensKind]] = frozenset(("single_vision",))
    limit_tables: ClassVar[tuple[Describes, ...]] = (MERIDIANS, CYLINDERS, AXIS, PRISM_HORIZONTAL, PRISM_VERTICAL)

    def judge_lens(self, judge: Judge, eye: Eye, lens: EyeInspection, request: InspectionRequest) -> None:
        check_principal_powers(judge, eye, lens, meridians=MERIDIANS, cylinders=CYLINDERS)
        check_axis(judge, eye, lens, AXIS)
        _check_prism(judge, eye, lens.ordered.prism_in_dpt, lens.measured.prism_in_dpt, PRISM_HORIZONTAL)
        _check_prism(judge, eye, lens.ordered.prism_up_dpt, lens.measured.prism_up_dpt, PRISM_VERTICAL)


def _check_prism(judge: Judge, eye: Eye, ordered: Decimal | None, measured: Decimal | None, table: LimitTable) -> None:
    """None ordered counts as 0; what was not measured never passes."""
    wanted = ordered or Decimal(0)
    if measured is None:
        judge.not_measured(table.parameter, eye, table.unit, "The prism was not read.", ordered=wanted)
    else:
        check_value(judge, table.parameter, eye, wanted, measured, table.limit_for(0), table.unit)


class SkeletonName:
    manifest = PluginManifest(
        name="skeleton-name",
        title="Skeleton Name",
        version="0.1.0",
        api=">=1.0,<2",
        description="Judges uncut single-vision lenses by invented limits.",
    )

    @hookimpl
    def register_tolerance_standards(self) -> Sequence[ToleranceStandard]:
        return (SkeletonNameStandard(),)


plugin = SkeletonName()
