"""From a packet and what the focimeter shows to a question for the branch's standard for uncut lenses."""

from __future__ import annotations

from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from opticshop.branches.models import Branch
from opticshop.catalogue.models import LensProduct
from opticshop.core.errors import Invalid
from opticshop.plugin_api import EyeInspection, InspectionRequest, InvalidFacts, LensValues, Verdict
from opticshop.pluginhost import services as plugins

from .models import LensOrder


class ReadingImpossible(Invalid):
    """The values read cannot be those of a lens, for instance a cylinder without an axis; frames are not read."""

    code = "purchasing.reading_impossible"
    title = "This cannot be read on a lens"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the focimeter shows of one uncut lens, in either cylinder sign; a cylinder of 0 has no axis.

    Prism at the reference point, base in and base up positive; 0 when none shows.
    """

    sphere_dpt: Decimal
    cylinder_dpt: Decimal = Decimal(0)
    axis_deg: int | None = None
    addition_dpt: Decimal | None = None
    prism_in_dpt: Decimal = Decimal(0)
    prism_up_dpt: Decimal = Decimal(0)

    def as_dict(self) -> dict[str, Any]:
        values = {item.name: getattr(self, item.name) for item in fields(self)}
        return {name: str(value) if isinstance(value, Decimal) else value for name, value in values.items()}


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with the standard and the version of the plugin that gave it."""

    verdict: Verdict
    standard: str
    version: str

    @property
    def failed(self) -> bool:
        return self.verdict.outcome == "fail"

    @property
    def why(self) -> str:
        """One sentence with its clause for everything that failed."""
        lines = [line for line in self.verdict.lines if line.outcome == "fail"]
        said = " ".join(f"{line.reason} ({line.clause})" for line in lines)
        return f"Out of tolerance by {self.verdict.standard_title}. {said}"[:500]

    def columns(self, reading: Reading) -> dict[str, Any]:
        """As kept beside a delivery line or a lens order."""
        return {
            "outcome": self.verdict.outcome,
            "reading": reading.as_dict(),
            "standard": self.standard,
            "standard_version": self.version,
            "verdict": self.verdict.to_dict(),
        }


def judge_packet(
    *, branch: Branch, product: LensProduct, sphere_dpt: Decimal, cylinder_dpt: Decimal, reading: Reading
) -> Judged:
    """Judge a stock lens by the power on its packet (minus-cylinder form).

    A round single vision lens is turned to its axis when it is glazed, so the axis at which it lay on the focimeter is
    taken as the ordered one. Raises ReadingImpossible and what the plugin host refuses.
    """
    measured = _measured(reading)
    power = measured.power
    assert power is not None
    turned = power.transposed() if power.cylinder_dpt > 0 else power
    axis = None if cylinder_dpt == 0 else (turned.axis_deg or Decimal(180))
    ordered = LensValues(sphere_dpt=sphere_dpt, cylinder_dpt=cylinder_dpt, axis_deg=axis)
    return _judge(branch, "right", product, ordered, measured)


def judge_special(*, lens_order: LensOrder, reading: Reading) -> Judged:
    """Judge a lens made for one order by everything that was ordered of it, prescribed prism included."""
    ordered = LensValues(
        sphere_dpt=lens_order.sphere_dpt,
        cylinder_dpt=lens_order.cylinder_dpt,
        axis_deg=None if lens_order.axis_deg is None else Decimal(lens_order.axis_deg),
        add_dpt=lens_order.addition_dpt,
        prism_in_dpt=lens_order.prism_in_dpt,
        prism_up_dpt=lens_order.prism_up_dpt,
    )
    return _judge(lens_order.branch, lens_order.eye, lens_order.product, ordered, _measured(reading))


def _judge(branch: Branch, eye: str, product: LensProduct, ordered: LensValues, measured: LensValues) -> Judged:
    inspected = EyeInspection(ordered=ordered, measured=measured)
    request = InspectionRequest(
        lens_kind=product.kind,  # type: ignore[arg-type]
        right=inspected if eye == "right" else None,
        left=inspected if eye == "left" else None,
    )
    key = branch.uncut_standard
    evaluated = plugins.tolerance_evaluate(branch=branch, standard_key=key, request=request)
    return Judged(evaluated.verdict, key, evaluated.version)


def _measured(reading: Reading) -> LensValues:
    try:
        return LensValues(
            sphere_dpt=reading.sphere_dpt,
            cylinder_dpt=reading.cylinder_dpt,
            axis_deg=None if reading.axis_deg is None else Decimal(reading.axis_deg),
            add_dpt=reading.addition_dpt,
            prism_in_dpt=reading.prism_in_dpt,
            prism_up_dpt=reading.prism_up_dpt,
        )
    except InvalidFacts as error:
        raise ReadingImpossible(error.message, field=f"reading/{error.field}") from error
