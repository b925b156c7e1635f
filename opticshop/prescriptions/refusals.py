"""What cannot stand on a prescription: each refusal is its own error, to be resolved with the prescriber."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal as D

from opticshop.core.errors import Invalid

from .measured import MeasurementImplausible
from .measuring import VERTEX_DISTANCE
from .plausibility import POWERS, STEPS, stated_powers
from .validity import first_day_of
from .written import WrittenEye, WrittenPrescription, WrittenPrism


class PrescriberMissing(Invalid):
    """A prescription without the name of the person who wrote it."""

    code = "prescriptions.prescriber_missing"
    title = "The prescriber is not named"


class IssuedInFuture(Invalid):
    """The day of issue has not come yet in the branch's own time zone."""

    code = "prescriptions.issued_in_future"
    title = "The prescription is dated in the future"


class IssuedBeforeBirth(Invalid):
    """The day of issue lies before the customer's birth date, or before anybody living was born."""

    code = "prescriptions.issued_before_birth"
    title = "The prescription is older than the person"


class ExpiresBeforeIssue(Invalid):
    """The stated expiry lies before the day of issue."""

    code = "prescriptions.expires_before_issue"
    title = "The prescription expires before it was issued"


class SphereMissing(Invalid):
    """A lens, or any cylinder, needs a sphere; plano is written 0.00."""

    code = "prescriptions.sphere_missing"
    title = "A sphere is missing"


class AxisMissing(Invalid):
    """A cylinder without an axis cannot be made up."""

    code = "prescriptions.axis_missing"
    title = "A cylinder has no axis"


class AxisWithoutCylinder(Invalid):
    """An axis with no cylinder means that one of the two was misread."""

    code = "prescriptions.axis_without_cylinder"
    title = "An axis has no cylinder"


class AxisOutOfRange(Invalid):
    """Axes are whole degrees from 1 to 180; 180 is written instead of 0."""

    code = "prescriptions.axis_out_of_range"
    title = "An axis is out of range"


class PowerOffGrid(Invalid):
    """A power is written finer than a hundredth of a dioptre."""

    code = "prescriptions.power_off_grid"
    title = "A power has too many decimals"


class SphereOutOfRange(Invalid):
    """No spectacle lens has such a sphere."""

    code = "prescriptions.sphere_out_of_range"
    title = "A sphere cannot be right"


class CylinderOutOfRange(Invalid):
    """No spectacle lens has such a cylinder."""

    code = "prescriptions.cylinder_out_of_range"
    title = "A cylinder cannot be right"


class AdditionOutOfRange(Invalid):
    """An addition is positive and not larger than a strong magnifier's."""

    code = "prescriptions.addition_out_of_range"
    title = "An addition cannot be right"


class PrismOutOfRange(Invalid):
    """A prism is written as a positive amount that a spectacle lens can hold; no prism is left out."""

    code = "prescriptions.prism_out_of_range"
    title = "A prism cannot be right"


class PrismBaseMissing(Invalid):
    """A prism without a base direction or a base setting in degrees."""

    code = "prescriptions.prism_base_missing"
    title = "A prism has no base"


class PrismBaseTwice(Invalid):
    """A base direction and a base setting in degrees on one prism: one of them only."""

    code = "prescriptions.prism_base_twice"
    title = "A prism has two bases"


class PrismBaseOutOfRange(Invalid):
    """A base setting is 0 to 360 degrees."""

    code = "prescriptions.prism_base_out_of_range"
    title = "A prism base setting is out of range"


class PrismComponentsClash(Invalid):
    """An eye has at most one horizontal and one vertical component; an oblique prism stands alone."""

    code = "prescriptions.prism_components_clash"
    title = "The prisms of an eye contradict each other"


_OUT_OF_RANGE: dict[str, type[Invalid]] = {
    "sphere_dpt": SphereOutOfRange,
    "cylinder_dpt": CylinderOutOfRange,
    "addition_dpt": AdditionOutOfRange,
    "prism_dpt": PrismOutOfRange,
}


def refuse_implausible(written: WrittenPrescription, *, today: dt.date, born_on: dt.date | None) -> None:
    """Raise the first reason why this cannot be what a prescriber wrote; ``today`` is the branch's own day."""
    if not written.prescriber_name.strip():
        raise PrescriberMissing("Say who wrote the prescription.", field="prescriber.name")
    _refuse_days(written, today, born_on)
    if written.vertex_distance_mm is not None and VERTEX_DISTANCE.refuses(written.vertex_distance_mm):
        raise MeasurementImplausible.of("vertex_distance_mm", written.vertex_distance_mm, VERTEX_DISTANCE)
    for side, eye in written.eyes:
        _refuse_powers(side, eye)
        _refuse_prisms(f"{side}.prism", eye.prisms)


def _refuse_days(written: WrittenPrescription, today: dt.date, born_on: dt.date | None) -> None:
    if written.issued_on > today:
        raise IssuedInFuture(
            f"{written.issued_on} has not come yet; today is {today} at this branch.",
            field="issued_on",
            allowed=f"up to {today}",
        )
    first = first_day_of(born_on, today)
    if written.issued_on < first:
        raise IssuedBeforeBirth(
            f"{written.issued_on} is before the customer was born.",
            field="issued_on",
            allowed=f"from {first} to {today}",
        )
    if written.expires_on is not None and written.expires_on < written.issued_on:
        raise ExpiresBeforeIssue(
            f"Issued on {written.issued_on}, it cannot have expired on {written.expires_on}.",
            field="expires_on",
            allowed=f"from {written.issued_on}",
        )


def _refuse_powers(side: str, eye: WrittenEye) -> None:
    if eye.sphere_dpt is None and (eye.is_lens or eye.cylinder_dpt):
        raise SphereMissing("State the sphere; plano is 0.00.", field=f"{side}.sphere_dpt", allowed="0.00 for plano")
    for field, quantity, value in stated_powers(side, eye):
        bounds = POWERS[quantity]
        if bounds.refuses(value):
            raise _OUT_OF_RANGE[quantity](
                f"{bounds.quantity.capitalize()} {value.normalize():f} is outside {bounds.accepted}.",
                field=field,
                allowed=bounds.accepted,
            )
        if value % STEPS.grid_dpt:
            raise PowerOffGrid(
                f"{value.normalize():f} is finer than a hundredth of a dioptre.",
                field=field,
                allowed=f"multiples of {STEPS.grid_dpt}",
            )
    _refuse_axis(f"{side}.axis_deg", eye)


def _refuse_axis(field: str, eye: WrittenEye) -> None:
    whole = "1 to 180"
    if eye.axis_deg is not None and not 1 <= eye.axis_deg <= 180:
        hint = " Write 180 instead of 0." if eye.axis_deg == 0 else ""
        raise AxisOutOfRange(f"Axis {eye.axis_deg} is not from 1 to 180.{hint}", field=field, allowed=whole)
    if eye.cylinder_dpt and eye.axis_deg is None:
        raise AxisMissing("There is a cylinder but no axis; ask the prescriber.", field=field, allowed=whole)
    if eye.axis_deg is not None and not eye.cylinder_dpt:
        raise AxisWithoutCylinder(
            "There is an axis but no cylinder; ask the prescriber.", field=field, allowed="none without a cylinder"
        )


def _refuse_prisms(field: str, prisms: Sequence[WrittenPrism]) -> None:
    directions: list[str] = []
    for index, prism in enumerate(prisms):
        at = f"{field}.{index}"
        if prism.base and prism.base_deg is not None:
            raise PrismBaseTwice(
                "Give the base direction or the base setting in degrees, not both.",
                field=f"{at}.base_deg",
                allowed="base or base_deg",
            )
        if not prism.base and prism.base_deg is None:
            raise PrismBaseMissing(
                "Say where the base is.", field=f"{at}.base", allowed="in, out, up or down, or base_deg 0 to 360"
            )
        if prism.base_deg is not None and not 0 <= prism.base_deg <= 360:
            raise PrismBaseOutOfRange(
                f"{prism.base_deg} is not a base setting.", field=f"{at}.base_deg", allowed="0 to 360"
            )
        directions.append(_direction(prism))
        clash = len(set(directions)) < len(directions) or ("oblique" in directions and len(directions) > 1)
        if clash:
            raise PrismComponentsClash(
                f"This {directions[-1]} component comes on top of another one.",
                field=at,
                allowed="one horizontal and one vertical component, or one oblique prism alone",
            )


def _direction(prism: WrittenPrism) -> str:
    if prism.base:
        return "horizontal" if prism.base in {"in", "out"} else "vertical"
    if prism.base_deg in {D(0), D(180), D(360)}:
        return "horizontal"
    return "vertical" if prism.base_deg in {D(90), D(270)} else "oblique"
