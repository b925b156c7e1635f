"""Invented data for the papers."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal as D

import numpy as np

from opticshop.documents.cautions import cautions_for
from opticshop.documents.job_ticket import TicketData, TicketEye, TicketFrame, TicketStep
from opticshop.documents.layout import LayoutData, LayoutEye
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.receipt import ReceiptData, ReceiptLine, TaxPart
from opticshop.optics.eyes import Eye
from opticshop.optics.outline import Outline

BRANCH = Letterhead("Millrace Opticians (invented)", "1 Weir Lane\nMillbrook", "020 7946 0018", "GB 000 0000 00")


def lopsided(a_mm: float, b_mm: float) -> Outline:
    """A right lens shape that differs from its mirror image."""
    angle = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    radius = 30 * (1 + 0.06 * np.cos(3 * angle + 0.6) + 0.03 * np.cos(2 * angle))
    return Outline.from_points(np.c_[radius * np.cos(angle), radius * np.sin(angle)]).scaled_to(a_mm, b_mm)


def points(outline: Outline) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in outline.points_mm)


def layout_eye(eye: Eye, a_mm: float = 50.0, b_mm: float = 38.0, **more) -> LayoutEye:
    right = lopsided(a_mm, b_mm)
    details = {"in_mm": 3.0, "up_mm": 2.0, "blank_diameter_mm": 70.0, "axis_deg": 95.0, "label": "−2.25 / −0.75 × 95"}
    shape = points(right if eye is Eye.RIGHT else right.mirrored())
    return LayoutEye(eye=eye, outline_mm=shape, a_mm=a_mm, b_mm=b_mm, **(details | more))


def layout(dbl_mm: float = 18.0, title: str = "Layout MILL-J-2026-00012", **more) -> LayoutData:
    return LayoutData((layout_eye(Eye.RIGHT, **more), layout_eye(Eye.LEFT, **more)), dbl_mm, title, "order 31")


def ticket_eye(eye: Eye, **more) -> TicketEye:
    details = {
        "sphere_dpt": D("-2.25"),
        "cylinder_dpt": D("-0.75"),
        "axis_deg": 95,
        "product_sku": "LE-0007",
        "product_name": "Clear 1.5 finished (invented)",
        "index": D("1.498"),
        "diameter_mm": D("70.00"),
        "centration_distance_mm": D("31.0"),
        "centration_height_mm": D("21.0"),
        "decentration_in_mm": 3.0,
        "decentration_up_mm": 2.0,
        "lot": "L-2026-0114",
        "blank": "finished, usable 68 mm",
        "minimum_blank_mm": 62.41,
        "cuts_out": True,
        "clearance_mm": 2.8,
        "centre_thickness_mm": 2.0,
        "edge_thinnest_mm": 2.61,
        "edge_thickest_mm": 4.92,
    }
    return TicketEye(eye=eye, **(details | more))


def ticket(**more) -> TicketData:
    labels = ("Verify the uncut lenses", "Lay out and block", "Edge", "Glaze", "Final inspection", "Clean and pack")
    details = {
        "letterhead": BRANCH,
        "job_number": "MILL-J-2026-00012",
        "order_number": "MILL-O-2026-00031",
        "promised_on": dt.date(2026, 3, 5),
        "tray_code": "MILL-J-2026-00012",
        "frame": TicketFrame("FR-0012", "Heron 50 (invented)", "acetate", 50, 38, 18, 54),
        "eyes": (ticket_eye(Eye.RIGHT), ticket_eye(Eye.LEFT)),
        "steps": tuple(TicketStep(place, label) for place, label in enumerate(labels, start=1)),
        "cautions": cautions_for(),
        "layout": layout(),
    }
    return TicketData(**(details | more))


def receipt(**more) -> ReceiptData:
    def line(what: str, unit: str, discount: str, gross: str, category: str, rate: str, tax: str) -> ReceiptLine:
        return ReceiptLine(what, 1, D(unit), D(discount), D(gross), category, D(rate), D(tax))

    details = {
        "letterhead": BRANCH,
        "number": "MILL-R-2026-00001",
        "kind": "deposit",
        "issued_on": dt.date(2026, 3, 2),
        "tax_point_on": dt.date(2026, 3, 2),
        "order_number": "MILL-O-2026-00031",
        "currency": "GBP",
        "lines": (
            line("Heron 50 (invented)", "95.00", "9.50", "85.50", "standard", "20.00", "14.25"),
            line("Clear 1.5 finished (invented)", "65.00", "0.00", "65.00", "standard", "20.00", "10.83"),
            line("Dispensing", "60.00", "0.00", "60.00", "exempt", "0.00", "0.00"),
        ),
        "tax_parts": (
            TaxPart("standard", D("20.00"), D("125.42"), D("25.08"), D("150.50")),
            TaxPart("exempt", D("0.00"), D("60.00"), D("0.00"), D("60.00")),
        ),
        "payment_parts": (
            TaxPart("standard", D("20.00"), D("59.58"), D("11.92"), D("71.50")),
            TaxPart("exempt", D("0.00"), D("28.50"), D("0.00"), D("28.50")),
        ),
        "total": D("210.50"),
        "paid_before": D("0.00"),
        "amount": D("100.00"),
        "method": "card",
        "reference": "T-0042",
        "balance_due": D("110.50"),
    }
    return ReceiptData(**(details | more))
