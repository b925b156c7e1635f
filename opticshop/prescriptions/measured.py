"""One set of measurements: what belongs together, what cannot be, and what is asked about again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

from opticshop.core.errors import Invalid
from opticshop.optics.near import near_pd_mm

from . import measuring
from .bounds import Bounds, Doubt

READING_DISTANCE_MM = 400.0


class PdMissing(Invalid):
    """Neither a binocular PD nor both monocular ones were given."""

    code = "prescriptions.pd_missing"
    title = "The PD is missing"


class MonocularPdIncomplete(Invalid):
    """A monocular PD was given for one eye only; the pair is needed."""

    code = "prescriptions.monocular_pd_incomplete"
    title = "A monocular PD is missing for one eye"


class PdDoesNotAddUp(Invalid):
    """The monocular PDs and the binocular PD contradict each other by more than a millimetre."""

    code = "prescriptions.pd_does_not_add_up"
    title = "The PDs do not add up"


class FrameNeeded(Invalid):
    """Heights, tilt and wrap mean nothing without the frame that was worn when they were taken."""

    code = "prescriptions.frame_needed"
    title = "Name the frame that was worn"


class MeasurementImplausible(Invalid):
    """A measurement lies outside what can be right for this person and frame."""

    code = "prescriptions.measurement_implausible"
    title = "A measurement cannot be right"

    @classmethod
    def of(cls, field: str, value: Decimal, bounds: Bounds) -> MeasurementImplausible:
        return cls(
            f"{bounds.quantity.capitalize()} of {value:f} {bounds.unit} is outside {bounds.accepted}.",
            field=field,
            allowed=bounds.accepted,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The numbers as taken, None where not taken. ``pd_mm`` is binocular and far, ``near_pd_mm`` binocular and near."""

    method: str
    pd_right_mm: Decimal | None = None
    pd_left_mm: Decimal | None = None
    pd_mm: Decimal | None = None
    near_pd_right_mm: Decimal | None = None
    near_pd_left_mm: Decimal | None = None
    near_pd_mm: Decimal | None = None
    height_right_mm: Decimal | None = None
    height_left_mm: Decimal | None = None
    vertex_distance_mm: Decimal | None = None
    pantoscopic_deg: Decimal | None = None
    wrap_deg: Decimal | None = None

    def completed(self) -> Measured:
        """With the binocular PDs added up from the monocular ones where only these were taken."""
        return replace(
            self,
            pd_mm=_total(self.pd_mm, self.pd_right_mm, self.pd_left_mm),
            near_pd_mm=_total(self.near_pd_mm, self.near_pd_right_mm, self.near_pd_left_mm),
        )


#: Fields that belong to the frame that was worn.
_NEEDS_FRAME = ("height_right_mm", "height_left_mm", "pantoscopic_deg", "wrap_deg")
_PAIRS = (("pd_right_mm", "pd_left_mm"), ("near_pd_right_mm", "near_pd_left_mm"))


def refuse_impossible(measured: Measured, *, age: int | None, frame_height_mm: Decimal | None) -> None:
    """Raise the first reason why these completed measurements cannot be right. No frame height: no frame named."""
    for right, left in _PAIRS:
        given = [name for name in (right, left) if getattr(measured, name) is not None]
        if len(given) == 1:
            missing = left if given == [right] else right
            raise MonocularPdIncomplete(
                f"{given[0]} was given without {missing}.", field=missing, allowed="both or none"
            )
    if measured.pd_mm is None:
        raise PdMissing(
            "Give pd_mm, or pd_right_mm and pd_left_mm.", field="pd_mm", allowed=measuring.pd_bounds(age).accepted
        )
    if frame_height_mm is None:
        for name in _NEEDS_FRAME:
            if getattr(measured, name) is not None:
                raise FrameNeeded(f"{name} was taken with a frame on the face; say which.", field="frame")
    for field, surplus in _adding_up(measured):
        if measuring.ADDING_UP.refuses(surplus):
            raise PdDoesNotAddUp(
                f"The monocular PDs differ from the binocular one by {abs(surplus):f} mm.",
                field=field,
                allowed=f"a difference of up to {measuring.ADDING_UP.reject_above} mm",
            )
    for field, value, bounds in _judged(measured, age, frame_height_mm):
        if bounds.refuses(value):
            raise MeasurementImplausible.of(field, value, bounds)


def doubts_about_measured(measured: Measured, *, age: int | None, frame_height_mm: Decimal | None) -> list[Doubt]:
    """What is accepted but unusual enough to ask about."""
    return [
        Doubt("prescriptions.measurement_unusual", field, _question(measured, value, bounds))
        for field, value, bounds in _judged(measured, age, frame_height_mm)
        if bounds.questions(value)
    ]


def _judged(
    measured: Measured, age: int | None, frame_height_mm: Decimal | None
) -> Iterator[tuple[str, Decimal, Bounds]]:
    """(field, value, row of the table) of everything that was taken."""
    m = measured
    yield from _present(("pd_mm", m.pd_mm, measuring.pd_bounds(age)))
    for right, left in _PAIRS:
        yield from _present((left, _apart(getattr(m, right), getattr(m, left)), measuring.PD_DIFFERENCE))
    if m.pd_mm is not None and m.near_pd_mm is not None:
        yield "near_pd_mm", m.pd_mm - m.near_pd_mm, measuring.NEAR_PD_REDUCTION
    height = replace(measuring.HEIGHT, reject_above=frame_height_mm)
    yield from _present(
        ("height_right_mm", m.height_right_mm, height),
        ("height_left_mm", m.height_left_mm, height),
        ("height_left_mm", _apart(m.height_right_mm, m.height_left_mm), measuring.HEIGHT_DIFFERENCE),
        ("vertex_distance_mm", m.vertex_distance_mm, measuring.VERTEX_DISTANCE),
        ("pantoscopic_deg", m.pantoscopic_deg, measuring.PANTOSCOPIC),
        ("wrap_deg", m.wrap_deg, measuring.WRAP),
    )


def _present(*rows: tuple[str, Decimal | None, Bounds]) -> Iterator[tuple[str, Decimal, Bounds]]:
    for field, value, bounds in rows:
        if value is not None:
            yield field, value, bounds


def _adding_up(measured: Measured) -> Iterator[tuple[str, Decimal]]:
    for whole, (right, left) in zip(("pd_mm", "near_pd_mm"), _PAIRS, strict=True):
        parts = (getattr(measured, right), getattr(measured, left))
        if None not in parts and getattr(measured, whole) is not None:
            yield whole, sum(parts) - getattr(measured, whole)


def _question(measured: Measured, value: Decimal, bounds: Bounds) -> str:
    words = (
        f"Are you sure? {bounds.quantity.capitalize()} of {value:f} {bounds.unit} is unusual: "
        f"{bounds.unquestioned} goes unquestioned; usual is {bounds.usual}."
    )
    if bounds is measuring.NEAR_PD_REDUCTION and measured.pd_mm is not None:
        expected = near_pd_mm(float(measured.pd_mm), READING_DISTANCE_MM)
        words += f" At 40 cm a near PD of about {expected:.1f} mm follows from {measured.pd_mm:f} mm."
    return words


def _apart(right: Decimal | None, left: Decimal | None) -> Decimal | None:
    return None if right is None or left is None else abs(right - left)


def _total(whole: Decimal | None, right: Decimal | None, left: Decimal | None) -> Decimal | None:
    return right + left if whole is None and right is not None and left is not None else whole
