"""What the bench ticket is made from. No name, birth date or contact of the wearer: the bench does not need them."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from decimal import Decimal

from opticshop.optics.eyes import Eye

from .cautions import Caution
from .errors import DocumentError
from .layout_data import LayoutData
from .letterhead import Letterhead

#: What may stand in the tray code: a job number or an id, never words about a person.
_OPAQUE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{2,63}")


@dataclass(frozen=True, slots=True)
class TicketFrame:
    """The frame on the tray, with its boxed sizes in mm."""

    sku: str
    name: str
    material: str
    a_mm: float
    b_mm: float
    dbl_mm: float
    ed_mm: float | None = None
    is_customers: bool = False


@dataclass(frozen=True, slots=True)
class TicketEye:
    """The lens of one eye: the power to supply, where it goes and what it becomes. Lengths in mm, powers in dioptres.

    Powers are in minus-cylinder form. ``prism_in_dpt`` is base in positive, ``prism_up_dpt`` base up positive;
    ``decentration_in_mm`` is nasally positive. ``minimum_blank_mm`` is the smallest centred blank that holds the lens
    shape with its allowance; ``cuts_out`` is the verdict of the exact test (None: not tested) and ``clearance_mm`` the
    least room left (negative: what is missing). ``blank`` describes the blank in words, for instance "finished, usable
    68 mm"; ``shape`` says where its outline comes from, ``bevel`` what its edge asks for. What was not computed is None
    and is printed as a dash.
    """

    eye: Eye
    sphere_dpt: Decimal
    cylinder_dpt: Decimal
    axis_deg: int | None
    product_sku: str
    product_name: str
    index: Decimal
    diameter_mm: Decimal
    centration_distance_mm: Decimal
    centration_height_mm: Decimal
    decentration_in_mm: float
    decentration_up_mm: float
    addition_dpt: Decimal | None = None
    prism_in_dpt: Decimal = Decimal(0)
    prism_up_dpt: Decimal = Decimal(0)
    lot: str = ""
    blank: str = ""
    minimum_blank_mm: float | None = None
    cuts_out: bool | None = None
    clearance_mm: float | None = None
    centre_thickness_mm: float | None = None
    edge_thinnest_mm: float | None = None
    edge_thickest_mm: float | None = None
    shape: str = ""
    bevel: str = ""

    def __post_init__(self) -> None:
        if self.cylinder_dpt > 0:
            raise DocumentError("the bench reads powers in minus-cylinder form", field="cylinder_dpt")
        if (self.cylinder_dpt != 0) != (self.axis_deg is not None):
            raise DocumentError("a cylinder has an axis, and only a cylinder has one", field="axis_deg")


@dataclass(frozen=True, slots=True)
class TicketStep:
    """One step of the job, printed with a box to initial. ``done_by`` is filled in when it was already done."""

    position: int
    label: str
    done_by: str = ""
    skipped: bool = False


@dataclass(frozen=True, slots=True)
class TicketData:
    """Everything on the ticket. ``tray_code`` is what the square code holds: an opaque id or number only.

    ``printed_at`` is an instant in the branch's own zone; nothing is printed for None. ``invented`` prints the mark of
    invented demo data in the footer. ``layout`` None leaves the drawing out. ``notes`` are short lines for the bench.
    """

    letterhead: Letterhead
    job_number: str
    order_number: str
    promised_on: dt.date
    tray_code: str
    frame: TicketFrame
    eyes: tuple[TicketEye, ...]
    steps: tuple[TicketStep, ...]
    cautions: tuple[Caution, ...]
    layout: LayoutData | None = None
    attempt: int = 1
    remake_reason: str = ""
    purpose: str = ""
    notes: tuple[str, ...] = ()
    printed_at: dt.datetime | None = None
    invented: bool = False

    def __post_init__(self) -> None:
        if not _OPAQUE.fullmatch(self.tray_code):
            raise DocumentError(
                "the tray code is an id or a number of 3 to 64 letters, digits and hyphens", field="tray_code"
            )
        names = [each.eye for each in self.eyes]
        if not names or len(set(names)) != len(names):
            raise DocumentError("a ticket shows the right eye, the left eye, or one of each", field="eyes")
