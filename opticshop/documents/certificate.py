"""The certificate of a finished pair: what was ordered, what was measured, by which limits, and the verdict, as PDF.

It is for the wearer's record and names the wearer by the number of that record only. Nothing on it is computed here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer, Table

from . import pages, wording
from .errors import DocumentError
from .letterhead import Letterhead
from .pages import RULED, SEPARATOR, grey, table, text

_WIDTH = pages.PAGE_WIDTH - 28 * mm
_LABEL = 36 * mm
_OUTCOMES = {"pass": "pass", "not_measured": "not measured"}


@dataclass(frozen=True, slots=True)
class CertificateLens:
    """The lens of one eye: power to supply in words, product, what it is made of and the lot it came from."""

    eye: str
    power: str
    product: str
    make: str
    lot: str = ""


@dataclass(frozen=True, slots=True)
class CertificateLine:
    """One parameter as judged. Numbers are texts, empty where there is none; ``outcome`` is pass or not_measured."""

    parameter: str
    eye: str
    outcome: str
    unit: str = ""
    ordered: str = ""
    measured: str = ""
    deviation: str = ""
    limit: str = ""
    clause: str = ""
    confidence: str = ""


@dataclass(frozen=True, slots=True)
class Statement:
    """A sentence with what it rests on and how sure that is."""

    words: str
    basis: str = ""
    confidence: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CertificateData:
    """Everything on the certificate. ``patient_record`` is an id, never a name.

    ``leaned_on_unconfirmed`` says that a limit was used which was not read in a text of the standard; the paper then
    says that it claims no conformity. ``inspected_at`` is in the branch's own zone. Raises DocumentError for a pair
    that did not pass.
    """

    letterhead: Letterhead
    number: str
    job_number: str
    order_number: str
    purpose: str
    patient_record: str
    prescription: str
    prescribed_on: dt.date
    frame: str
    frame_sizes: str
    frame_lot: str
    lenses: tuple[CertificateLens, ...]
    lines: tuple[CertificateLine, ...]
    standard_title: str
    standard_key: str
    standard_version: str
    leaned_on_unconfirmed: bool
    sources: tuple[str, ...]
    seen: tuple[str, ...]
    instruments: tuple[str, ...]
    inspected_by: str
    inspected_at: dt.datetime
    second: str = ""
    statements: tuple[Statement, ...] = ()
    cautions: tuple[Statement, ...] = ()
    invented: bool = False

    def __post_init__(self) -> None:
        if not self.lenses or not self.lines:
            raise DocumentError("a certificate names at least one lens and one judged parameter", field="lines")
        for line in self.lines:
            if line.outcome not in _OUTCOMES:
                raise DocumentError(f"{line.parameter} is {line.outcome}: this pair did not pass", field="lines")


def certificate_pdf(data: CertificateData) -> bytes:
    """The certificate as PDF; the same data gives the same bytes."""
    story: list[Flowable] = [_head(data), Spacer(0, 3 * mm), _facts(data), Spacer(0, 3 * mm), _lenses(data.lenses)]
    story += [Spacer(0, 3 * mm), _verdict(data), Spacer(0, 2 * mm), _lines(data.lines), Spacer(0, 2 * mm)]
    story += [_how(data), Spacer(0, 3 * mm)]
    if data.statements:
        story += [_block("Statement", data.statements), Spacer(0, 2 * mm)]
    if data.cautions:
        story.append(_block("To know when wearing them", data.cautions))
    return pages.build_pdf(
        story,
        title=f"Certificate {data.number}",
        author=data.letterhead.name,
        foot=f"Certificate {data.number}",
        invented=data.invented,
    )


def _head(data: CertificateData) -> Table:
    what: list[Flowable] = [
        text("Certificate of inspection", 15, bold=True, right=True),
        text(f"{data.number}, {wording.day(data.inspected_at.date())}", 9, right=True),
    ]
    return table(
        [[pages.letterhead_block(data.letterhead), what]],
        [_WIDTH * 0.45, _WIDTH * 0.55],
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("RIGHTPADDING", (-1, 0), (-1, -1), 0),
    )


def _rows(rows: Sequence[tuple[str, str]]) -> Table:
    return table([[grey(name), text(words)] for name, words in rows], [_LABEL, _WIDTH - _LABEL], *RULED)


def _facts(data: CertificateData) -> Table:
    frame = SEPARATOR.join((data.frame, data.frame_sizes, f"lot {data.frame_lot or wording.DASH}"))
    return _rows(
        (
            ("For the record", f"patient {data.patient_record}"),
            ("Prescription", f"version {data.prescription}, written {wording.day(data.prescribed_on)}"),
            ("Order and job", SEPARATOR.join((data.order_number, data.job_number, data.purpose))),
            ("Frame", frame),
        )
    )


def _lenses(lenses: tuple[CertificateLens, ...]) -> Table:
    rows: list[list[Any]] = [[grey(name) for name in ("Lens", "Power to supply", "Product", "Lot")]]
    for lens in lenses:
        product = [text(lens.product), grey(lens.make, 7)]
        rows.append([text(lens.eye, bold=True), text(lens.power, bold=True), product, text(lens.lot or wording.DASH)])
    return table(rows, [18 * mm, 46 * mm, _WIDTH - 94 * mm, 30 * mm], *RULED, *_SHADED)


_SHADED = (("BACKGROUND", (0, 0), (-1, 0), pages.SHADE),)


def _verdict(data: CertificateData) -> Table:
    confidence = (
        "At least one limit used here was not read in a text of the standard. This is the verdict of the workshop and "
        "no claim of conformity with the standard."
        if data.leaned_on_unconfirmed
        else "Every limit used here was read in a text of the standard or confirmed by more than one source."
    )
    version = f"{data.standard_key}, version {data.standard_version} of the tables"
    words = [
        text(f"PASSED by {data.standard_title}", 12, bold=True, after=2),
        grey(version, 7.5),
        text(confidence, 8, bold=data.leaned_on_unconfirmed),
    ]
    return table([[words]], [_WIDTH], ("BOX", (0, 0), (-1, -1), 0.9, pages.INK))


def _lines(lines: tuple[CertificateLine, ...]) -> Table:
    names = ("Parameter", "", "Ordered", "Measured", "Deviation", "Limit ±", "Verdict", "Clause, confidence")
    rows: list[list[Any]] = [[grey(name, 7, right=2 <= place <= 5) for place, name in enumerate(names)]]
    for line in lines:
        numbers = (line.ordered, line.measured, line.deviation, line.limit)
        rows.append(
            [
                text(f"{line.parameter}, {line.unit}" if line.unit else line.parameter, 7.5),
                text(line.eye, 7.5, bold=True),
                *(text(number or wording.DASH, 7.5, right=True) for number in numbers),
                text(_OUTCOMES[line.outcome], 7.5, bold=line.outcome == "pass"),
                grey(SEPARATOR.join(word for word in (line.clause, line.confidence) if word), 6.5),
            ]
        )
    widths = [42 * mm, 10 * mm, 16 * mm, 17 * mm, 17 * mm, 15 * mm, 20 * mm]
    return table(rows, [*widths, _WIDTH - sum(widths)], *RULED, *_SHADED, repeatRows=1)


def _how(data: CertificateData) -> Flowable:
    when = f"{wording.day(data.inspected_at.date())}, {data.inspected_at:%H:%M}"
    rows = [
        ("Looked over", SEPARATOR.join(data.seen) or wording.DASH),
        ("Measured with", SEPARATOR.join(data.instruments) or "not recorded"),
        ("Inspected by", f"{data.inspected_by}, {when}"),
    ]
    if data.second:
        rows.append(("Confirmed by", data.second))
    rows.append(("Limits from", SEPARATOR.join(data.sources) or wording.DASH))
    return KeepTogether([_rows(rows)])


def _block(heading: str, statements: tuple[Statement, ...]) -> Flowable:
    """Sentences under a heading, what each rests on in brackets."""
    body: list[Flowable] = [text(heading, 9, bold=True, after=2)]
    for statement in statements:
        basis = "; ".join(word for word in (statement.basis, statement.confidence) if word)
        body.append(text(f"{statement.words} [{basis}]" if basis else statement.words, 7, after=1.5))
    box = table([[body]], [_WIDTH], ("BACKGROUND", (0, 0), (-1, -1), pages.SHADE))
    return KeepTogether([box])
