"""Whether the sizes, ranges and surfaces of an article fit together. Each check returns questions or raises."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from decimal import Decimal
from typing import Any

from opticshop.core.errors import Invalid
from opticshop.optics.errors import OpticsError
from opticshop.optics.surfaces import sagitta_mm

from .models import Frame, LensProduct, LensSurface
from .plausibility import FRAME, LENS, SURFACE, Question, questions_about

#: Sizes are read to half a millimetre (common practice, no source).
_READING_MM = Decimal("0.5")


class EffectiveDiameterImpossible(Invalid):
    """No outline inside the box has this effective diameter: it spans the box and stays within its diagonal."""

    code = "catalogue.effective_diameter_impossible"
    title = "The effective diameter does not fit the box"


class UsableDiameterTooLarge(Invalid):
    """The part inside which a lens is good lies within the lens."""

    code = "catalogue.usable_diameter_too_large"
    title = "The usable part is larger than the lens"


class PowerRangeWrong(Invalid):
    """A range of powers is upside down, off the product's step, or of a kind that the product cannot have."""

    code = "catalogue.power_range_wrong"
    title = "The range of powers is not a range"


class SurfacesDoNotCover(Invalid):
    """Some sphere of the product's range has no surface, two surfaces claim it, or a surface lies outside."""

    code = "catalogue.surfaces_do_not_cover"
    title = "The surfaces do not cover the range of spheres exactly once"


class FrontSurfaceTooSteep(Invalid):
    """A sphere of this power ends before it reaches the edge of the lens."""

    code = "catalogue.front_surface_too_steep"
    title = "The front surface does not reach the edge of the lens"


def frame_questions(frame: Frame) -> list[Question]:
    """Raises Implausible or EffectiveDiameterImpossible. ED is twice the farthest distance from the boxed centre."""
    questions = list(questions_about(vars(frame), FRAME))
    width, height, ed = frame.box_width_mm, frame.box_height_mm, frame.effective_diameter_mm
    least, most = max(width, height), (width**2 + height**2).sqrt() + _READING_MM
    if not least <= ed <= most:
        raise EffectiveDiameterImpossible(
            f"A box of {width} by {height} mm holds effective diameters of {least} to {most:.1f} mm, not {ed}.",
            field="effective_diameter_mm",
            allowed=f"{least} to {most:.1f} mm",
        )
    return questions


def lens_questions(product: LensProduct, surfaces: Sequence[LensSurface]) -> list[Question]:
    """Raises one of the errors of this module, or Implausible, for the first thing that is wrong."""
    questions = list(questions_about(vars(product), LENS))
    if product.usable_diameter_mm > product.diameter_mm:
        raise UsableDiameterTooLarge(
            f"{product.usable_diameter_mm} mm of a lens of {product.diameter_mm} mm cannot be usable.",
            field="usable_diameter_mm",
            allowed=f"at most {product.diameter_mm} mm",
        )
    _check_ranges(product)
    for place, surface in enumerate(surfaces):
        questions += questions_about(vars(surface), SURFACE, at=f"surfaces/{place}/")
        _check_front(product, surface, f"surfaces/{place}/front_power_dpt")
    _check_cover(product, surfaces)
    return questions


def _check_ranges(product: LensProduct) -> None:
    if product.sphere_min_dpt > product.sphere_max_dpt:
        raise PowerRangeWrong(
            f"The lowest sphere {product.sphere_min_dpt} is above the highest {product.sphere_max_dpt}.",
            field="sphere_min_dpt",
            allowed=f"at most {product.sphere_max_dpt} D",
        )
    _check_addition(product)
    ends = ["sphere_min_dpt", "sphere_max_dpt", "cylinder_max_dpt", "addition_min_dpt", "addition_max_dpt"]
    for field in ends:
        value = getattr(product, field)
        if value is not None and value % product.power_step_dpt:
            raise PowerRangeWrong(
                f"{value} D is no multiple of the product's step of {product.power_step_dpt} D.",
                field=field,
                allowed=f"a multiple of {product.power_step_dpt} D",
            )


def _check_addition(product: LensProduct) -> None:
    low, high = product.addition_min_dpt, product.addition_max_dpt
    if product.kind == LensProduct.Kind.SINGLE_VISION:
        if low is not None or high is not None:
            raise PowerRangeWrong("A single vision lens has no addition.", field="addition_min_dpt")
    elif low is None or high is None:
        raise PowerRangeWrong(
            "This kind of lens needs its lowest and highest addition.",
            field="addition_min_dpt" if low is None else "addition_max_dpt",
        )
    elif low > high:
        raise PowerRangeWrong(f"The lowest addition {low} is above the highest {high}.", field="addition_min_dpt")


def _check_front(product: LensProduct, surface: LensSurface, field: str) -> None:
    try:
        sagitta_mm(float(surface.front_power_dpt), float(product.diameter_mm) / 2, float(product.index))
    except OpticsError as error:
        raise FrontSurfaceTooSteep(
            f"A front surface of {surface.front_power_dpt} D at index {product.index} does not reach the edge of a "
            f"lens of {product.diameter_mm} mm: {error}.",
            field=field,
        ) from error


def _check_cover(product: LensProduct, surfaces: Sequence[LensSurface]) -> None:
    """Each surface starts one power step after the one before it ends, from the lowest sphere to the highest."""
    step, wanted = product.power_step_dpt, product.sphere_min_dpt
    for place, surface in sorted(enumerate(surfaces), key=lambda pair: pair[1].sphere_from_dpt):
        start, end = surface.sphere_from_dpt, surface.sphere_to_dpt
        if start != wanted:
            raise SurfacesDoNotCover(
                f"A surface should start at {wanted:+} D; this one starts at {start:+} D and "
                f"{'overlaps the one before or leaves the range' if start < wanted else 'leaves a gap'}.",
                field=f"surfaces/{place}/sphere_from_dpt",
                allowed=str(wanted),
            )
        if end < start or end > product.sphere_max_dpt or end % step:
            raise SurfacesDoNotCover(
                f"A surface from {start:+} D cannot end at {end:+} D.",
                field=f"surfaces/{place}/sphere_to_dpt",
                allowed=f"{start} to {product.sphere_max_dpt} D in steps of {step}",
            )
        wanted = end + step
    if wanted <= product.sphere_max_dpt:
        raise SurfacesDoNotCover(
            f"No surface is given from {wanted:+} to {product.sphere_max_dpt:+} D.",
            field="surfaces",
            allowed=f"one more surface from {wanted} to {product.sphere_max_dpt} D",
        )


def surfaces_from(values: Iterable[dict[str, Any]]) -> list[LensSurface]:
    """Unsaved surfaces from plain values."""
    return [LensSurface(**each) for each in values]
