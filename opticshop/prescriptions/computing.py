"""From powers as written (decimals) to the optics (floats) and back: the one place of conversion in this app.

Horizontal prism is positive base in, vertical prism positive base up, of the eye in question.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal as D

from opticshop.core.errors import Conflict
from opticshop.optics import eyes as optics_eyes
from opticshop.optics.prism import NO_PRISM, Prism
from opticshop.optics.sphero_cylinder import SpheroCylinder

from .models import Eye, PrescribedEye
from .written import WrittenEye, WrittenPrism

_OPTICS_EYE = {Eye.RIGHT.value: optics_eyes.Eye.RIGHT, Eye.LEFT.value: optics_eyes.Eye.LEFT}
_HUNDREDTH, _THOUSANDTH = D("0.01"), D("0.001")


class PowerNotStated(Conflict):
    """A balance lens or an occluded eye was prescribed without a power, and one is needed."""

    code = "prescriptions.power_not_stated"
    title = "No power is prescribed for this eye"


@dataclass(frozen=True, slots=True)
class PowerForm:
    """A power in one cylinder form; a sphere has no axis."""

    sphere_dpt: D
    cylinder_dpt: D
    axis_deg: int | None


@dataclass(frozen=True, slots=True)
class ComputedEye:
    """What follows from a power as written. Without a stated power the forms and the equivalent are None."""

    minus_cylinder: PowerForm | None
    plus_cylinder: PowerForm | None
    spherical_equivalent_dpt: D | None
    prism_in_dpt: D
    prism_up_dpt: D


def power_of(eye: PrescribedEye | WrittenEye) -> SpheroCylinder:
    """The prescribed distance power, in the form written. Raises PowerNotStated where there is none."""
    if eye.sphere_dpt is None:
        raise PowerNotStated(
            f"A {eye.entry} entry without a power was prescribed.", field="sphere_dpt", allowed="a stated power"
        )
    return SpheroCylinder(float(eye.sphere_dpt), float(eye.cylinder_dpt), float(eye.axis_deg or 180))


def prism_of(side: str, prisms: tuple[WrittenPrism, ...]) -> Prism:
    """The components written for one eye ("right" or "left"), added."""
    return sum((_component(_OPTICS_EYE[side], prism) for prism in prisms), start=NO_PRISM)


def computed(side: str, eye: WrittenEye) -> ComputedEye:
    """Both cylinder forms, the spherical equivalent and the total prism of one eye."""
    prism = prism_of(side, eye.prisms)
    totals = (
        _rounded(prism.base_in_pdpt(_OPTICS_EYE[side]), _HUNDREDTH),
        _rounded(prism.base_up_pdpt, _HUNDREDTH),
    )
    if eye.sphere_dpt is None:
        return ComputedEye(None, None, None, *totals)
    power = power_of(eye)
    return ComputedEye(
        _form(power.to_minus_cylinder()),
        _form(power.to_plus_cylinder()),
        _rounded(power.spherical_equivalent_dpt, _THOUSANDTH),
        *totals,
    )


def _component(eye: optics_eyes.Eye, written: WrittenPrism) -> Prism:
    amount = float(written.amount_dpt)
    if written.base_deg is not None:
        return Prism.from_polar(amount, float(written.base_deg))
    sign = 1.0 if written.base in {"in", "up"} else -1.0
    if written.base in {"in", "out"}:
        return Prism.for_eye(eye, base_in_pdpt=sign * amount)
    return Prism.for_eye(eye, base_up_pdpt=sign * amount)


def _form(power: SpheroCylinder) -> PowerForm:
    return PowerForm(
        sphere_dpt=_rounded(power.sphere_dpt, _HUNDREDTH),
        cylinder_dpt=_rounded(power.cylinder_dpt, _HUNDREDTH),
        axis_deg=None if power.is_spherical else round(power.axis_deg),
    )


def _rounded(value: float, step: D) -> D:
    """The decimal nearest to a float, without a negative zero."""
    return D(repr(value)).quantize(step) + 0
