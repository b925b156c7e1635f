"""The ticket that goes with a tray through the workshop: one A4 page, the drawing on a second where it is large."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from opticshop.optics.eyes import Eye

from . import pages, wording
from .cautions import CLOSING, Caution
from .figure_pdf import FigureBox
from .layout import LayoutData, layout_figure
from .pages import RULED, SEPARATOR, grey, table, text
from .ticket_data import TicketData, TicketEye, TicketFrame, TicketStep
from .tray_code import TrayCode

__all__ = ["TicketData", "TicketEye", "TicketFrame", "TicketStep", "ticket_pdf"]

_MARGIN_MM = 12.0
_WIDTH = pages.PAGE_WIDTH - 2 * _MARGIN_MM * mm
_EYE_NAMES = {Eye.RIGHT: "RIGHT", Eye.LEFT: "LEFT"}
_CODE_MM = 23.0


def ticket_pdf(data: TicketData) -> bytes:
    """The ticket as PDF. Raises DocumentError where the data cannot be a ticket (checked when it is built)."""
    story: list[Flowable] = [_head(data), Spacer(0, 2 * mm), _frame(data.frame), Spacer(0, 2 * mm), _eyes(data.eyes)]
    if data.notes:
        story += [Spacer(0, 1.5 * mm), *(text(f"Note: {note}", 8, bold=True) for note in data.notes)]
    story += [Spacer(0, 2 * mm), _steps(data.steps), Spacer(0, 2 * mm), _cautions(data.cautions)]
    if data.layout is not None:
        story += [Spacer(0, 1 * mm), _drawing(data.layout)]
    printed = f", printed {data.printed_at:%Y-%m-%d %H:%M %Z}".rstrip() if data.printed_at else ""
    return pages.build_pdf(
        story,
        title=f"Bench ticket {data.job_number}",
        author=data.letterhead.name,
        foot=f"Bench ticket {data.job_number}{printed}",
        invented=data.invented,
        margin_mm=_MARGIN_MM,
        top_mm=10.0,
    )


def _drawing(layout: LayoutData) -> Flowable:
    """The drawing at true size; one that is wider than the page is left to its own file, never shrunk."""
    figure = layout_figure(layout, with_title=False)
    if figure.width_mm * mm > _WIDTH:
        return text("The drawing is wider than this page at true size: print it from its own file.", bold=True)
    return KeepTogether([FigureBox(figure)])


def _head(data: TicketData) -> Table:
    job: list[Flowable] = [
        grey(data.letterhead.name),
        text(data.job_number, 15, bold=True),
        text(f"Order {data.order_number}" + (f", {data.purpose}" if data.purpose else ""), 9),
    ]
    if data.attempt > 1 or data.remake_reason:
        job.append(text(f"Remake, attempt {data.attempt}: {data.remake_reason or wording.DASH}", 9, bold=True))
    promise = [grey("Promised for"), text(wording.day_with_weekday(data.promised_on), 12, bold=True)]
    code = TrayCode(data.tray_code, _CODE_MM * mm)
    return table(
        [[job, promise, code]],
        [_WIDTH - (72 + _CODE_MM) * mm, 72 * mm, _CODE_MM * mm],
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (1, 0), 2.5 * mm),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 0),
    )


def _frame(frame: TicketFrame) -> Table:
    boxed = {"A": frame.a_mm, "B": frame.b_mm, "DBL": frame.dbl_mm, "ED": frame.ed_mm}
    sizes = SEPARATOR.join(f"{name} {wording.millimetres(value)}" for name, value in boxed.items())
    what = SEPARATOR.join((frame.sku, frame.name, frame.material))
    if frame.is_customers:
        what += " (the customer's own frame)"
    return table(
        [[grey("Frame"), text(what, 8.5, bold=True), text(sizes, 8.5, right=True)]],
        [22 * mm, _WIDTH - (22 + 78) * mm, 78 * mm],
        *RULED,
    )


def _eyes(eyes: tuple[TicketEye, ...]) -> Table:
    columns = {each.eye: each for each in eyes}
    rows: list[list[Any]] = [
        [grey("mm, dioptres", 7), *(text(_EYE_NAMES[eye], 9, bold=True) for eye in Eye)],
    ]
    for name, say, size in _EYE_ROWS:
        cells = [_cell(columns.get(eye), say, size) for eye in Eye]
        rows.append([grey(name, 7.5), *cells])
    column = (_WIDTH - 33 * mm) / 2
    return table(
        rows,
        [33 * mm, column, column],
        *RULED,
        ("BACKGROUND", (0, 0), (-1, 0), pages.SHADE),
        ("LINEBEFORE", (2, 0), (2, -1), 0.4, pages.RULE),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
    )


def _cell(eye: TicketEye | None, say: Callable[[TicketEye], str], size: float) -> Flowable:
    if eye is None:
        return grey(wording.DASH)
    words = say(eye)
    refused = words.startswith(_REFUSAL)
    return text(words, size, bold=size > 8 or refused, colour=pages.RED if refused else pages.INK)


_REFUSAL = "DOES NOT CUT OUT"


def _to_supply(eye: TicketEye) -> str:
    return wording.sphere_cylinder(eye.sphere_dpt, eye.cylinder_dpt, eye.axis_deg)


def _addition_and_prism(eye: TicketEye) -> str:
    parts = [f"add {wording.power(eye.addition_dpt)}"] if eye.addition_dpt else []
    if eye.prism_in_dpt or eye.prism_up_dpt:
        parts.append(f"prism, base {wording.prism(eye.prism_in_dpt, eye.prism_up_dpt)}")
    return SEPARATOR.join(parts) or wording.DASH


def _make(eye: TicketEye) -> str:
    diameter = f"Ø {wording.millimetres(eye.diameter_mm)}"
    facts = SEPARATOR.join((f"index {eye.index}", diameter, f"lot {eye.lot or wording.DASH}"))
    return f"{facts}\n{eye.blank}" if eye.blank else facts


def _centration(eye: TicketEye) -> str:
    distance, height = wording.millimetres(eye.centration_distance_mm), wording.millimetres(eye.centration_height_mm)
    return f"{distance} from the middle of the bridge, height {height}"


def _cut_out(eye: TicketEye) -> str:
    needed = f"blank of {wording.tenths(eye.minimum_blank_mm)} needed"
    if eye.cuts_out is None:
        return f"{needed}, not tested"
    room = "" if eye.clearance_mm is None else wording.tenths(abs(eye.clearance_mm))
    if eye.cuts_out:
        return f"Cuts out{f', {room} to spare' if room else ''}; {needed}"
    return f"{_REFUSAL}{f', {room} missing' if room else ''}; {needed}"


def _thickness(eye: TicketEye) -> str:
    edge = f"edge {wording.tenths(eye.edge_thinnest_mm)} to {wording.tenths(eye.edge_thickest_mm)}"
    return f"{edge}, centre {wording.tenths(eye.centre_thickness_mm)}" + (f"; {eye.shape}" if eye.shape else "")


_EYE_ROWS: tuple[tuple[str, Callable[[TicketEye], str], float], ...] = (
    ("Power to supply", _to_supply, 11.5),
    ("Addition, prism", _addition_and_prism, 8),
    ("Lens", lambda eye: SEPARATOR.join((eye.product_sku, eye.product_name)), 8),
    ("Material and blank", _make, 8),
    ("Centration", _centration, 8),
    ("Decentration", lambda eye: ", ".join(wording.decentration(eye.decentration_in_mm, eye.decentration_up_mm)), 8.5),
    ("Cut-out", _cut_out, 8),
    ("Thickness", _thickness, 8),
    ("Edge, suggested", lambda eye: eye.bevel or wording.DASH, 7.5),
    ("Read uncut", lambda _: "sph ________ cyl ________ axis ______", 8),
)


def _steps(steps: tuple[TicketStep, ...]) -> Flowable:
    """Two columns of steps, each with a box to initial, read down the left column first."""
    half = (len(steps) + 1) // 2
    rows = []
    for place in range(half):
        row: list[Any] = []
        for index in (place, place + half):
            row += _step(steps[index]) if index < len(steps) else ["", ""]
        rows.append(row)
    box = [
        ("BOX", (column, row), (column, row), 0.7, pages.INK)
        for row in range(half)
        for column, index in ((0, row), (2, row + half))
        if index < len(steps)
    ]
    label = _WIDTH / 2 - 16 * mm
    if not rows:
        return Spacer(0, 0)
    return table(
        rows,
        [16 * mm, label, 16 * mm, label],
        *box,
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), 1.3),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.3),
        rowHeights=[5.6 * mm] * half,
    )


def _step(step: TicketStep) -> list[Any]:
    mark = "skipped" if step.skipped else step.done_by
    return [text(mark, 6.5), text(f"{step.position}. {step.label}", colour=pages.GREY if step.skipped else pages.INK)]


def _cautions(cautions: tuple[Caution, ...]) -> Table:
    """The cautions in two columns of about the same length, what each rests on in brackets."""
    columns: tuple[list[Flowable], list[Flowable]] = ([], [])
    whole, so_far = sum(map(_length, cautions)), 0
    for caution in cautions:
        columns[so_far * 2 >= whole].append(_caution(caution))
        so_far += _length(caution)
    columns[1].append(text(CLOSING, 6.4, bold=True))
    return table(
        [list(columns)],
        [_WIDTH / 2, _WIDTH / 2],
        ("BOX", (0, 0), (-1, -1), 0.4, pages.RULE),
        ("BACKGROUND", (0, 0), (-1, -1), pages.SHADE),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
    )


def _length(caution: Caution) -> int:
    return len(caution.where) + len(caution.text) + len(caution.basis)


def _caution(caution: Caution) -> Flowable:
    basis = f"[{caution.basis}; {caution.confidence}]"
    return text(f"{caution.text} {basis}", 6.4, lead=f"{caution.where}:", after=1.6)
