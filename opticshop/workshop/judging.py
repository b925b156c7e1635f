"""From an ordered lens and what the focimeter shows to a question for a tolerance standard; its verdict in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal

from opticshop.branches.models import Branch
from opticshop.core.errors import Invalid
from opticshop.orders.models import OrderedLens
from opticshop.plugin_api import EyeInspection, InspectionRequest, InvalidFacts, LensValues, Uncertainty, Verdict
from opticshop.pluginhost import services as plugins


class ReadingImpossible(Invalid):
    """The values read cannot be those of a lens, for instance a cylinder without an axis."""

    code = "workshop.reading_impossible"
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


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with the standard and the version of the plugin that gave it."""

    verdict: Verdict
    standard: str
    version: str


def judge_uncut(
    *, branch: Branch, eye: str, lens: OrderedLens, reading: Reading, uncertainty: Uncertainty | None = None
) -> Judged:
    """Judge an uncut lens by the branch's standard for uncut lenses.

    Raises ReadingImpossible, and whatever the plugin host says when the standard is not available.
    """
    try:
        inspected = EyeInspection(ordered=_ordered_uncut(lens), measured=_measured(reading))
    except InvalidFacts as error:
        raise ReadingImpossible(error.message, field=error.field) from error
    kind = lens.product.kind
    request = InspectionRequest(
        lens_kind=kind,  # type: ignore[arg-type]
        right=inspected if eye == "right" else None,
        left=inspected if eye == "left" else None,
        uncertainty=uncertainty,
    )
    return judged(branch=branch, standard_key=branch.uncut_standard, request=request)


def judged(*, branch: Branch, standard_key: str, request: InspectionRequest) -> Judged:
    """Ask a tolerance standard that is active at the branch."""
    evaluated = plugins.tolerance_evaluate(branch=branch, standard_key=standard_key, request=request)
    return Judged(evaluated.verdict, standard_key, evaluated.version)


def ordered_power(lens: OrderedLens) -> LensValues:
    """Sphere, cylinder, axis and addition to supply."""
    return LensValues(
        sphere_dpt=lens.sphere_dpt,
        cylinder_dpt=lens.cylinder_dpt,
        axis_deg=None if lens.axis_deg is None else Decimal(lens.axis_deg),
        add_dpt=lens.addition_dpt,
    )


def reasons(verdict: Verdict, outcome: str = "fail") -> list[str]:
    """One sentence with its clause for every line of the verdict with this outcome."""
    return [f"{line.reason} ({line.clause})" for line in verdict.lines if line.outcome == outcome]


def _ordered_uncut(lens: OrderedLens) -> LensValues:
    """Prescribed prism is in the uncut lens when it is made to order; in a finished lens it comes from decentring."""
    if not lens.is_special_order:
        return ordered_power(lens)
    return replace(ordered_power(lens), prism_in_dpt=lens.prism_in_dpt, prism_up_dpt=lens.prism_up_dpt)


def _measured(reading: Reading) -> LensValues:
    return LensValues(
        sphere_dpt=reading.sphere_dpt,
        cylinder_dpt=reading.cylinder_dpt,
        axis_deg=None if reading.axis_deg is None else Decimal(reading.axis_deg),
        add_dpt=reading.addition_dpt,
        prism_in_dpt=reading.prism_in_dpt,
        prism_up_dpt=reading.prism_up_dpt,
    )
