"""Comparisons of one lens that several standards share."""

from __future__ import annotations

from decimal import Decimal

from opticshop.optics.conformity import DecimalPower, axis_difference_deg

from ..tolerances import EyeInspection, LensKind
from ..types import Eye, Side
from .judge import Judge
from .tables import Limit, LimitGrid, LimitTable

POWER_NOT_MEASURED = "The power was not measured in full; write a cylinder of 0 when none shows."
NO_CYLINDER_ORDERED = "No cylinder is ordered; an unwanted one is judged as cylinder."
NO_CYLINDER_FOUND = "The lens shows no cylinder; its absence is judged as cylinder."


def measured_power_like(lens: EyeInspection) -> DecimalPower | None:
    """The measured power in the cylinder sign of the order; in minus-cylinder form for a sphere order.

    None when sphere or cylinder was not measured.
    """
    ordered, measured = lens.ordered.power, lens.measured.power
    if ordered is None or measured is None or lens.measured.cylinder_dpt is None:
        return None
    return measured.to_minus_cylinder() if ordered.is_spherical else measured.in_cylinder_sign_of(ordered)


def check_principal_powers(
    judge: Judge, eye: Eye, lens: EyeInspection, *, meridians: LimitTable, cylinders: LimitGrid
) -> None:
    """Both principal meridians, then the cylinder, each by its own limit.

    `meridians` is entered with the highest absolute principal power of the order, `cylinders` with that and
    the absolute ordered cylinder.
    """
    ordered, measured = lens.ordered.power, measured_power_like(lens)
    assert ordered is not None
    names = ("power_m1", "power_m2")
    if measured is None:
        for name, power in zip(names, ordered.principal_powers_dpt, strict=True):
            judge.not_measured(name, eye, "D", POWER_NOT_MEASURED, ordered=power)
        judge.not_measured("cylinder", eye, "D", POWER_NOT_MEASURED, ordered=ordered.cylinder_dpt)
        return
    highest = ordered.highest_absolute_power_dpt
    limit = meridians.limit_for(highest, highest)
    pairs = zip(names, ordered.principal_powers_dpt, measured.principal_powers_dpt, strict=True)
    for name, wanted, found in pairs:
        check_value(judge, name, eye, wanted, found, limit, "D")
    limit = cylinders.limit_for(highest, abs(ordered.cylinder_dpt))
    check_value(judge, "cylinder", eye, ordered.cylinder_dpt, measured.cylinder_dpt, limit, "D")


def check_axis(judge: Judge, eye: Eye, lens: EyeInspection, table: LimitTable) -> None:
    """The angle between the axes, wrapped at 180, entered with the absolute ordered cylinder."""
    ordered, measured = lens.ordered.power, measured_power_like(lens)
    if ordered is None or ordered.is_spherical or ordered.axis_deg is None:
        judge.not_applicable("axis", eye, "°", NO_CYLINDER_ORDERED)
    elif measured is None:
        judge.not_measured("axis", eye, "°", POWER_NOT_MEASURED, ordered=ordered.axis_deg)
    elif measured.is_spherical or measured.axis_deg is None:
        judge.not_applicable("axis", eye, "°", NO_CYLINDER_FOUND)
    else:
        judge.check(
            "axis",
            eye,
            ordered=ordered.axis_deg,
            measured=measured.axis_deg,
            deviation=axis_difference_deg(measured.axis_deg, ordered.axis_deg),
            limit=table.limit_for(abs(ordered.cylinder_dpt)),
            unit="°",
        )


def check_addition(judge: Judge, eye: Eye, lens: EyeInspection, table: LimitTable) -> None:
    """The addition, when one is ordered."""
    ordered, measured = lens.ordered.add_dpt, lens.measured.add_dpt
    if ordered is None:
        return
    if measured is None:
        judge.not_measured("add", eye, "D", "The addition was not measured.", ordered=ordered)
    else:
        check_value(judge, "add", eye, ordered, measured, table.limit_for(ordered), "D")


def check_length(judge: Judge, eye: Side, ordered: Decimal | None, measured: Decimal | None, table: LimitTable) -> None:
    """What `table.parameter` names, when it is ordered: needed then, with a limit that depends on nothing."""
    if ordered is None:
        return
    if measured is None:
        judge.not_measured(table.parameter, eye, table.unit, "It is ordered, but was not measured.", ordered=ordered)
    else:
        check_value(judge, table.parameter, eye, ordered, measured, table.limit_for(0), table.unit)


def check_height_difference(
    judge: Judge,
    ordered: tuple[Decimal | None, Decimal | None],
    measured: tuple[Decimal | None, Decimal | None],
    table: LimitTable,
) -> None:
    """The difference of two heights (right, left) that are ordered equal. Missing heights are reported per
    lens.
    """
    if ordered[0] is None or ordered[0] != ordered[1] or measured[0] is None or measured[1] is None:
        return
    difference = measured[0] - measured[1]
    check_value(judge, table.parameter, "pair", Decimal(0), difference, table.limit_for(0), table.unit)


def check_tilt(judge: Judge, eye: Eye, lens: EyeInspection, lens_kind: LensKind, table: LimitTable) -> None:
    """Tilt of the segment or the marks: judged when measured, demanded only when an order states it (as
    0).
    """
    if lens_kind == "single_vision":
        return
    ordered, measured = lens.ordered.tilt_deg, lens.measured.tilt_deg
    if ordered is None and measured is None:
        judge.note("The tilt of the segment or of the marks was not measured and is not judged.")
    else:
        check_length(judge, eye, ordered or Decimal(0), measured, table)


def check_value(
    judge: Judge,
    parameter: str,
    eye: Side,
    ordered: Decimal,
    measured: Decimal,
    limit: Limit,
    unit: str,
    *,
    expanded_uncertainty: Decimal | None = None,
    note: str = "",
) -> None:
    """measured - ordered against `limit`."""
    judge.check(
        parameter,
        eye,
        ordered=ordered,
        measured=measured,
        deviation=measured - ordered,
        limit=limit,
        unit=unit,
        expanded_uncertainty=expanded_uncertainty,
        note=note,
    )
