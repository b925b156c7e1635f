"""A job as records for an edger: the labels of the dossier, fixed decimals, no word about a person.

Label semantics are from memory (``records.NOT_CERTIFIED``). Right;left throughout; ``?`` where a value is not known,
nothing where there is no lens.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from opticshop.optics.errors import OpticsError
from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline
from opticshop.optics.prism import Prism

from .edging import Bevel, Mount
from .errors import TraceError
from .records import wrapped, write_records

RADII = 400
_LENS_TYPES = {"single_vision": "SV", "power_variation": "PR", "multifocal": "BI"}
_EDGES: dict[Mount, str] = {"full_rim": "1", "rimless": "2", "half_rim": "3"}


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgerEye:
    """One lens. Powers in minus-cylinder form; prism base in and up positive; heights above the lowest boxed tangent.

    ``outline`` is None without a trace; the sizes are then those stated for the frame.
    """

    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    addition_dpt: Decimal | None
    prism_in_dpt: Decimal
    prism_up_dpt: Decimal
    distance_mm: Decimal
    height_mm: Decimal
    index: Decimal
    material: str
    kind: str
    a_mm: float
    b_mm: float
    ed_mm: float
    outline: Outline | None = None
    bevel: Bevel | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgerJob:
    """``made`` are the eyes to process; ``eyes`` may hold the fellow lens as well. ``groove_mm`` is (width, depth)."""

    number: str
    eyes: Mapping[Eye, EdgerEye]
    made: frozenset[Eye]
    dbl_mm: float
    frame_name: str
    frame_maker: str
    frame_size_mm: float
    frame_material: str
    mount: Mount
    is_near: bool = False
    groove_mm: tuple[float, float] | None = None


def edger_records(job: EdgerJob) -> bytes:
    """The file, ASCII with CR LF. Raises TraceError where an outline cannot be told by one radius an angle."""
    return write_records(_rows(job))


def _rows(job: EdgerJob) -> Iterator[tuple[str, str]]:
    def pair(value: Callable[[EdgerEye], str]) -> str:
        return ";".join(value(job.eyes[eye]) if eye in job.eyes else "" for eye in Eye)

    yield "JOB", _text(job.number)
    yield "DO", "B" if len(job.made) == 2 else "".join(job.made) or "N"
    yield "SPH", pair(lambda lens: _fixed(lens.sphere_dpt))
    yield "CYL", pair(lambda lens: _fixed(lens.cylinder_dpt))
    yield "AX", pair(lambda lens: str(lens.axis_deg or 0))
    yield "ADD", pair(lambda lens: _fixed(lens.addition_dpt or 0))
    yield "PRVM", ";".join(_prism(job, eye)[0] for eye in Eye)
    yield "PRVA", ";".join(_prism(job, eye)[1] for eye in Eye)
    yield "NPD" if job.is_near else "IPD", pair(lambda lens: _fixed(lens.distance_mm))
    yield "IPD" if job.is_near else "NPD", pair(lambda lens: "?")
    is_segment = any(lens.kind == "multifocal" for lens in job.eyes.values())
    yield "SEGHT" if is_segment else "OCHT", pair(lambda lens: _fixed(lens.height_mm))
    yield "LIND", pair(lambda lens: _fixed(lens.index, 3))
    yield "LTYP", pair(lambda lens: _LENS_TYPES.get(lens.kind, "?"))
    yield "LMATTYPE", pair(lambda lens: lens_material_code(lens.material, lens.index))
    yield "FTYP", frame_type_code(job.frame_material, job.mount)
    yield "ETYP", pair(lambda _: _EDGES[job.mount])
    if job.mount == "full_rim" and all(_bevel(lens.bevel) for lens in job.eyes.values()):
        yield "BEVP", pair(lambda lens: (_bevel(lens.bevel) or ("", ""))[0])
        yield "BEVM", pair(lambda lens: (_bevel(lens.bevel) or ("", ""))[1])
    if job.groove_mm is not None:
        width, depth = job.groove_mm
        yield "GWIDTH", pair(lambda _: _fixed(width))
        yield "GDEPTH", pair(lambda _: _fixed(depth))
    if job.frame_maker:
        yield "FMFR", _text(job.frame_maker)
    yield "FRAM", _text(job.frame_name)
    yield "EYESIZ", _fixed(job.frame_size_mm)
    yield "DBL", _fixed(job.dbl_mm)
    yield "HBOX", pair(lambda lens: _fixed(lens.a_mm))
    yield "VBOX", pair(lambda lens: _fixed(lens.b_mm))
    yield "FED", pair(lambda lens: _fixed(lens.ed_mm))
    yield "CIRC", pair(lambda lens: "?" if lens.outline is None else _fixed(lens.outline.circumference_mm))
    for eye, lens in job.eyes.items():
        if lens.outline is not None:
            yield "TRCFMT", f"1;{RADII};E;{eye.value};F"
            yield from wrapped("R", _radii(lens.outline))


def _radii(outline: Outline) -> list[int]:
    try:
        return [round(100 * float(radius)) for radius in outline.radii_mm(RADII)]
    except OpticsError as error:
        raise TraceError(error.message, label="R") from error


def _prism(job: EdgerJob, eye: Eye) -> tuple[str, str]:
    """(amount, base setting 0 to 360 as seen from the front); nothing where there is no lens."""
    if eye not in job.eyes:
        return "", ""
    lens = job.eyes[eye]
    prism = Prism.for_eye(eye, base_in_pdpt=float(lens.prism_in_dpt), base_up_pdpt=float(lens.prism_up_dpt))
    amount = math.hypot(prism.x_pdpt, prism.y_pdpt)
    base = math.degrees(math.atan2(prism.y_pdpt, prism.x_pdpt)) % 360.0 if amount else 0.0
    return _fixed(amount), _fixed(base)


def _bevel(bevel: Bevel | None) -> tuple[str, str] | None:
    """(position, modifier) of BEVP and BEVM; None for what these labels are not known to say (a curve of its own)."""
    if bevel is None or bevel.place == "base_curve":
        return None
    if bevel.place == "front":
        return "1", "?"
    share = bevel.front_share or 0.5
    return ("4", "") if share == 0.5 else ("2", str(round(100 * share)))


def lens_material_code(material: str, index: Decimal) -> Literal["1", "2", "3", "5", "6"]:
    """LMATTYPE from the words of the catalogue and the index."""
    words = material.lower()
    if "polycarbonate" in words and "allyl" not in words:
        return "2"
    if "glass" in words or "crown" in words or "flint" in words:
        return "3"
    if index >= Decimal("1.56"):
        return "5"
    return "1" if index < Decimal("1.52") else "6"


def frame_type_code(material: str, mount: Mount) -> Literal["0", "1", "2", "3"]:
    if mount == "rimless":
        return "3"
    if material in {"metal", "titanium", "memory_metal"}:
        return "2"
    return "1" if material in {"acetate", "propionate", "polyamide", "carbon"} else "0"


def _fixed(value: Decimal | float, places: int = 2) -> str:
    """Fixed decimals, a point, an explicit minus and nothing else; no negative zero."""
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _text(words: str) -> str:
    """Text of a record: ASCII without the characters that separate; quoted where it would not be read as it stands."""
    plain = re.sub(r"[^ -~]|[=;\"?]", "", words).strip()[:60]
    return f'"{plain}"' if " " in plain else plain
