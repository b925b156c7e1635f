"""Trace records: TRCFMT with its radii and angles, and the sizes that stand beside them.

Only format 1 (ASCII absolute) is read. Radii are whole hundredths of a millimetre about any inner point, the first at 0
degrees, counter-clockwise seen from the front with the wearer facing the viewer; angles are whole hundredths of a
degree. All of this is from memory of the Data Communication Standard (see ``records.NOT_CERTIFIED``).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from opticshop.optics.eyes import Eye

from .errors import TraceError
from .records import LONGEST_LABEL, Chiral, Missing, Record, Records, Value, read_records
from .shapes import (
    FEWEST_POINTS,
    LARGEST_RADIUS_MM,
    MOST_POINTS,
    SMALLEST_RADIUS_MM,
    Note,
    Shape,
    Trace,
    lens_shape,
    outline_of_radii,
)

_ASCII_ABSOLUTE = "1"
_OTHER_FORMATS = {
    "2": "binary absolute",
    "3": "binary differential",
    "4": "packed binary",
    "5": "format 5",
    "6": "format 6",
}
_KINDS = {"F": "frame", "P": "pattern", "D": "demo_lens", "": ""}
_SIZES = {
    "HBOX": "a_mm",
    "VBOX": "b_mm",
    "FED": "ed_mm",
    "FEDAX": "ed_axis_deg",
    "CIRC": "circumference_mm",
    "CIRC3D": "circumference_3d_mm",
    "FCRV": "frame_curve_dpt",
    "ZTILT": "tilt_deg",
}


@dataclass(slots=True)
class _DataSet:
    """One TRCFMT or ZFMT and the records that belong to it."""

    header: Record
    count: int
    is_equal: bool
    eye: Eye
    kind: str
    values: list[tuple[int, Record]] = field(default_factory=list)
    angles: list[tuple[int, Record]] = field(default_factory=list)


def read_trace(content: bytes) -> Trace:
    """The trace in a file of records. Raises TraceError, with line and label, for anything that is not one whole."""
    return trace_of(read_records(content))


def trace_of(records: Records) -> Trace:
    traces, sagittas, notes = _data_sets(records)
    if not traces:
        raise TraceError("there is no trace in this file: no TRCFMT record with data")
    for data in sagittas:
        _check_counts(data, "Z", "ZA")
    shapes: dict[Eye, Shape] = {}
    for data in traces:
        shape, more = _shape(data)
        shapes[data.eye] = shape
        notes += more
    kinds = {data.kind for data in traces}
    if len(kinds) > 1:
        raise traces[-1].header.refuse("the two eyes were not traced from the same kind of thing")
    stated, dbl, more = _stated(records)
    return Trace(shapes, stated, dbl, _KINDS[kinds.pop()], (*notes, *more, *_long_labels(records)))


def _data_sets(records: Records) -> tuple[list[_DataSet], list[_DataSet], list[Note]]:
    traces: list[_DataSet] = []
    sagittas: list[_DataSet] = []
    trace: _DataSet | None = None
    sagitta: _DataSet | None = None
    notes: list[Note] = []
    for record in records:
        match record.label:
            case "TRCFMT" | "ZFMT":
                data = _header(record)
                found = traces if record.label == "TRCFMT" else sagittas
                if data is not None:
                    if any(other.eye is data.eye for other in found):
                        raise record.refuse(f"side {data.eye} was given before")
                    found.append(data)
                if record.label == "TRCFMT":
                    trace = data
                else:
                    sagitta = data
            case "R" | "A":
                if trace is None:
                    raise record.refuse("there is no TRCFMT record before it")
                (trace.values if record.label == "R" else trace.angles).extend(
                    (value, record) for value in record.integers()
                )
            case "Z" | "ZA":
                if sagitta is None:
                    raise record.refuse("there is no ZFMT record before it")
                (sagitta.values if record.label == "Z" else sagitta.angles).extend(
                    (value, record) for value in record.integers()
                )
            case _:
                continue
    return traces, sagittas, notes


def _header(record: Record) -> _DataSet | None:
    """The five fields of TRCFMT or ZFMT; None for format 0, which announces no data."""
    fields = record.fields()
    if fields[0] == "0":
        return None
    if fields[0] in _OTHER_FORMATS:
        raise record.refuse(
            f"format {fields[0]} ({_OTHER_FORMATS[fields[0]]}) is not read; set the tracer to format 1, ASCII absolute"
        )
    if fields[0] != _ASCII_ABSOLUTE:
        raise record.refuse(f"'{fields[0][:20]}' is not a known format; format 1, ASCII absolute, is read")
    if not 4 <= len(fields) <= 6 or any(fields[5:]):
        raise record.refuse("five fields are expected: format;count;mode;side;type")
    count, mode, side, kind = fields[1], fields[2], fields[3], fields[4] if len(fields) > 4 else ""
    if not count.isdecimal() or len(count) > 6 or not FEWEST_POINTS <= int(count) <= MOST_POINTS:
        raise record.refuse(f"the count must be a whole number from {FEWEST_POINTS} to {MOST_POINTS}")
    if mode not in {"E", "U"}:
        raise record.refuse("the mode must be E (equal angles) or U (unequal angles)")
    if side not in {"R", "L"}:
        raise record.refuse("the side must be R or L")
    if kind not in _KINDS:
        raise record.refuse("the type must be F (frame), P (pattern) or D (demo lens)")
    return _DataSet(record, int(count), mode == "E", Eye(side), kind)


def _check_counts(data: _DataSet, values: str, angles: str) -> None:
    for label, found, wanted in (
        (values, data.values, data.count),
        (angles, data.angles, 0 if data.is_equal else data.count),
    ):
        if len(found) == wanted:
            continue
        place = found[min(wanted, len(found) - 1)][1] if found else data.header
        if label == angles and data.is_equal:
            raise place.refuse(f"{data.header.label} says equal angles, yet angles are given")
        if not found:
            reason = f"{data.header.label} announces {wanted} values of {label}, but there are none"
            raise TraceError(reason, line=data.header.line, label=label)
        raise place.refuse(f"{len(found)} values, but {data.header.label} in line {data.header.line} says {wanted}")


def _shape(data: _DataSet) -> tuple[Shape, list[Note]]:
    _check_counts(data, "R", "A")
    low, high = 100 * SMALLEST_RADIUS_MM, 100 * LARGEST_RADIUS_MM
    for place, (radius, record) in enumerate(data.values, start=1):
        if not low <= radius <= high:
            raise record.refuse(
                f"radius {place} is {radius}, that is {radius / 100:g} mm; a lens shape keeps within "
                f"{SMALLEST_RADIUS_MM:g} and {LARGEST_RADIUS_MM:g} mm"
            )
    angles = [angle for angle, _ in data.angles]
    for place, (angle, record) in enumerate(data.angles):
        if place and angle <= angles[place - 1]:
            raise record.refuse(f"angle {place + 1} is {angle}, not larger than the one before")
        if angle - angles[0] >= 36_000:
            raise record.refuse(f"angle {place + 1} is more than a whole turn after the first")
    first = data.values[0][1]
    outline = outline_of_radii(
        [radius / 100 for radius, _ in data.values],
        None if data.is_equal else [angle / 100 for angle in angles],
        line=first.line,
        label="R" if data.is_equal else "A",
    )
    return lens_shape(data.eye, outline, line=first.line, label="R")


def _stated(records: Records) -> tuple[dict[tuple[Eye, str], Value], Value, list[Note]]:
    stated: dict[tuple[Eye, str], Value] = {}
    notes: list[Note] = []
    for label, name in _SIZES.items():
        found = records.labelled(label)
        for record in found[1:]:
            if record.fields() != found[0].fields():
                raise record.refuse(f"it says something else than the {label} in line {found[0].line}")
        if not found:
            continue
        values = found[0].chiral() if label != "ZTILT" or len(found[0].fields()) > 1 else Chiral(found[0].single())
        if values.is_ambiguous:
            words = f"{label} has one value only; it is taken for the right eye."
            notes.append(Note("one_value_for_two_eyes", words, None, found[0].line))
        for eye in Eye:
            if values.of(eye) is not Missing.NOT_GIVEN:
                stated[eye, name] = values.of(eye)
    distances = records.labelled("DBL")
    values_of_dbl = [record.single() for record in distances]
    for record, value in zip(distances, values_of_dbl, strict=True):
        if value != values_of_dbl[0]:
            raise record.refuse(f"it says something else than the DBL in line {distances[0].line}")
    return stated, values_of_dbl[0] if values_of_dbl else Missing.NOT_GIVEN, notes


def _long_labels(records: Records) -> list[Note]:
    return [
        Note("long_label", f"{record.label} is longer than {LONGEST_LABEL} characters; it was kept.", None, record.line)
        for record in records
        if len(record.label) > LONGEST_LABEL
    ]
