"""What stands on a label: of a drawer, of a packet, of a job tray. A tray label names no person."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from .label_codes import Symbol
from .wording import power


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text. What ``must`` be read is made smaller to fit, never cut short."""

    text: str
    size_mm: float
    bold: bool = False
    must: bool = False
    rows: int = 1


@dataclass(frozen=True, slots=True)
class Label:
    """The symbol and the lines beside or above it, from the top."""

    symbol: Symbol
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class LensFacts:
    """One power of a lens product, in minus-cylinder form."""

    sku: str
    name: str
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    diameter_mm: Decimal
    index: Decimal
    coating: str = ""


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """A frame; sizes by the boxing system. ``price`` is printed as it is given, or not at all."""

    sku: str
    name: str
    a_mm: Decimal
    dbl_mm: Decimal
    side_mm: Decimal | None = None
    colour: str = ""
    price: str = ""


def lens_label(symbol: Symbol, lens: LensFacts, *, lot: str = "") -> Label:
    """For a drawer (without lot) or a packet: the power is what the hand looks for, so it is the largest."""
    return Label(
        symbol,
        (
            Line(lens.name, 2.4, bold=True, rows=2),
            Line(lens_power(lens.sphere_dpt, lens.cylinder_dpt), 4.6, bold=True, must=True),
            Line(f"Ø {_plain(lens.diameter_mm)} mm · index {lens.index}", 2.3, must=True),
            *([Line(lens.coating, 2.3)] if lens.coating else []),
            *_lot(lot),
            Line(lens.sku, 2.1, must=True),
            *_human(symbol),
        ),
    )


def frame_label(symbol: Symbol, frame: FrameFacts, *, lot: str = "") -> Label:
    """For a shelf (without lot) or a packet."""
    return Label(
        symbol,
        (
            Line(frame.name, 2.4, bold=True, rows=2),
            Line(frame_size(frame), 3.4, bold=True, must=True),
            *([Line(frame.colour, 2.3)] if frame.colour else []),
            *_lot(lot),
            Line(frame.sku, 2.1, must=True),
            *([Line(frame.price, 3.4, bold=True, must=True)] if frame.price else []),
            *_human(symbol),
        ),
    )


def tray_label(symbol: Symbol, *, job_number: str, tray_code: str) -> Label:
    """The job number, and the code of the tray where it is another; nothing about the wearer."""
    tray = [Line(f"Tray {tray_code}", 2.6, must=True)] if tray_code != job_number else []
    return Label(symbol, (Line("Job", 2.4), Line(job_number, 5.0, bold=True, must=True), *tray))


def lens_power(sphere_dpt: Decimal, cylinder_dpt: Decimal) -> str:
    """``−2.00 / −0.50``; a lens without cylinder says so: ``−2.00 sph``."""
    return f"{power(sphere_dpt)} / {power(cylinder_dpt)}" if cylinder_dpt else f"{power(sphere_dpt)} sph"


def frame_size(frame: FrameFacts) -> str:
    """``50□18 140``: boxed width, distance between the boxes, length of the side."""
    side = f" {_plain(frame.side_mm)}" if frame.side_mm else ""
    return f"{_plain(frame.a_mm)}□{_plain(frame.dbl_mm)}{side}"


def _plain(value: Decimal) -> str:
    """Without trailing zeros: ``50``, ``49.5``."""
    return f"{value.normalize():f}"


def _lot(lot: str) -> tuple[Line, ...]:
    return (Line(f"Lot {lot}", 2.3, must=True),) if lot else ()


def _human(symbol: Symbol) -> tuple[Line, ...]:
    """The elements of a square GS1 symbol for people; linear symbols carry theirs underneath."""
    return () if symbol.is_linear else tuple(Line(text, 1.9, must=True) for text in symbol.human)
