"""The papers of a copy as PDF: prescriptions, receipts, invoices, certificates, letters; photographs as kept."""

from __future__ import annotations

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Prefetch
from reportlab.lib.units import mm

from opticshop.billing.invoices import printable as invoice_data
from opticshop.billing.models import Invoice, Receipt
from opticshop.billing.receipts import printable as receipt_data
from opticshop.branches.models import Branch
from opticshop.core.actor import system
from opticshop.correspondence.models import Form, Message
from opticshop.documents.invoice import invoice_pdf
from opticshop.documents.letterhead import Letterhead
from opticshop.documents.pages import RULED, build_pdf, grey, letterhead_block, table, text
from opticshop.documents.receipt import receipt_pdf
from opticshop.documents.wording import day, power, sphere_cylinder
from opticshop.prescriptions.models import PrescribedEye, Prescription
from opticshop.quality.certificates import CertificateNotDue, certificate_for
from opticshop.quality.models import Inspection, Photograph
from opticshop.quality.photographs import path_of
from opticshop.workshop.models import FrameTrace

from .persons import Person, rows_of

PRIVACY = system("privacy")
Paper = tuple[str, bytes]
_WIDTH = 182 * mm


def papers(person: Person) -> Iterator[Paper]:
    """(name, bytes) of each paper, drawn one after the other."""
    yield from _prescriptions(person)
    invented = _invented()
    for receipt in rows_of(Receipt, person.ids).order_by("id"):
        yield f"papers/receipts/{_safe(receipt.number)}.pdf", receipt_pdf(receipt_data(receipt, invented=invented))
    for invoice in rows_of(Invoice, person.ids).select_related("credits", "order", "branch").order_by("id"):
        yield f"papers/invoices/{_safe(invoice.number)}.pdf", invoice_pdf(invoice_data(invoice, invented=invented))
    yield from _certificates(person)
    yield from _letters(person)
    yield from _files(person)


def _prescriptions(person: Person) -> Iterator[Paper]:
    eyes = Prefetch("eyes", queryset=PrescribedEye.objects.prefetch_related("prisms").order_by("-eye"))
    found = rows_of(Prescription, person.ids).select_related("branch", "customer").prefetch_related(eyes)
    for prescription in found.order_by("id"):
        yield f"papers/prescriptions/{prescription.issued_on}-{prescription.id}.pdf", prescription_pdf(prescription)


def prescription_pdf(prescription: Prescription) -> bytes:
    """A copy of a prescription as it was recorded."""
    rows = [[grey(word) for word in ("Eye", "Power (D)", "Addition (D)", "Prism (prism dioptres)")]]
    for eye in prescription.eyes.all():
        written = (
            eye.entry if eye.sphere_dpt is None else sphere_cylinder(eye.sphere_dpt, eye.cylinder_dpt, eye.axis_deg)
        )
        prisms = ", ".join(f"{prism.amount_dpt} base {prism.base or prism.base_deg}" for prism in eye.prisms.all())
        rows.append([text(word) for word in (eye.eye, written, power(eye.addition_dpt), prisms or "none")])
    facts = [
        ("For", str(prescription.customer)),
        ("Issued", day(prescription.issued_on)),
        ("Valid to", day(prescription.expires_on)),
        ("Prescriber", " ".join(filter(None, (prescription.prescriber_name, prescription.prescriber_registration)))),
        ("Practice", prescription.prescriber_practice),
        ("Purpose", prescription.purpose),
        ("Note", prescription.note),
    ]
    story = [
        *letterhead_block(_head(prescription.branch)),
        text("Prescription (copy)", 14, bold=True, after=6),
        *(text(words, 9, lead=f"{name}:", after=2) for name, words in facts if words),
        table(rows, [_WIDTH / 4] * 4, *RULED),
    ]
    return _pdf(story, "Prescription (copy)", prescription.branch)


def _letters(person: Person) -> Iterator[Paper]:
    """Letters in the words in which they were sent; without the address of somebody else."""
    printed = rows_of(Message, person.ids).filter(form__in=[Form.LETTER, Form.POSTCARD]).exclude(body="")
    for message in printed.select_related("branch").order_by("id"):
        at = message.sent_at or message.created_at
        sent_on = at.astimezone(ZoneInfo(message.branch.time_zone)).date()
        own = message.told_id in (None, *person.ids)
        story = [
            *letterhead_block(_head(message.branch)),
            grey(day(sent_on)),
            *([text(message.to, 9, after=8)] if own else []),
            text(message.subject, 11, bold=True, after=6),
            text(message.body, 10),
        ]
        yield f"papers/letters/{sent_on}-{message.id}.pdf", _pdf(story, message.subject or "Letter", message.branch)


def _certificates(person: Person) -> Iterator[Paper]:
    passed = rows_of(Inspection, person.ids).filter(outcome=Inspection.Outcome.PASS)
    for key in passed.order_by("id").values_list("id", flat=True):
        try:
            number, content = certificate_for(PRIVACY, key)
        except CertificateNotDue:
            continue
        yield f"papers/certificates/{_safe(number)}.pdf", content


def _files(person: Person) -> Iterator[Paper]:
    for photograph in rows_of(Photograph, person.ids).order_by("id"):
        path = path_of(photograph.branch_id, photograph.id, photograph.content_type)
        if path.is_file():
            yield f"files/photographs/{path.name}", path.read_bytes()
    for trace in rows_of(FrameTrace, person.ids).order_by("id"):
        if trace.content:
            yield f"files/frame-traces/{trace.id}.txt", bytes(trace.content)


def _head(branch: Branch) -> Letterhead:
    return Letterhead(name=branch.name, address=branch.address, phone=branch.phone)


def _pdf(story: list[object], title: str, branch: Branch) -> bytes:
    return build_pdf(story, title=title, author=branch.name, foot=branch.name, invented=_invented())


def _invented() -> bool:
    return bool(getattr(settings, "OPTICSHOP_INVENTED_DATA", False))


def _safe(number: str) -> str:
    return "".join(char if char.isalnum() or char in "-." else "-" for char in number)
