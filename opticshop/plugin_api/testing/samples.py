"""Invented facts for the checks."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal

from ..channels import AddressKind, MessageForm, OutboundMessage
from ..events import Event
from ..invoices import InvoiceFacts, InvoiceLine, InvoiceParty, InvoiceReference, InvoiceTaxSubtotal
from ..ledgers import JournalEntry, JournalLine
from ..pricing import PriceLine, PricingContext
from ..recalls import RecallSubject
from ..taxes import CatalogueCategory, TaxBasket, TaxedKind, TaxLine
from ..tolerances import EyeInspection, InspectionRequest, LensKind, LensValues, PairInspection
from ..types import HandoverDraft, OrderDraft

ORDERED_LENSES: tuple[LensValues, ...] = (
    LensValues.of(sphere_dpt=0, cylinder_dpt=0),
    LensValues.of(sphere_dpt="-2.00", cylinder_dpt="-0.75", axis_deg=90),
    LensValues.of(sphere_dpt="2.50", cylinder_dpt="1.25", axis_deg=15),
    LensValues.of(sphere_dpt="-7.25", cylinder_dpt="-3.00", axis_deg=175, prism_in_dpt="2.5"),
    LensValues.of(sphere_dpt="11.00", cylinder_dpt="-5.00", axis_deg=42, prism_up_dpt="1"),
    LensValues.of(sphere_dpt="-21.50", cylinder_dpt="-7.00", axis_deg=120),
)


def ordered_lens(values: LensValues, lens_kind: LensKind) -> LensValues:
    """`values` with the lengths and the addition that an order of this kind has."""
    facts = {name: getattr(values, name) for name in ("sphere_dpt", "cylinder_dpt", "axis_deg")}
    facts |= {"prism_in_dpt": values.prism_in_dpt or 0, "prism_up_dpt": values.prism_up_dpt or 0}
    facts |= {"centration_distance_mm": "32.0", "centration_height_mm": "20.0", "centre_thickness_mm": "2.2"}
    if lens_kind != "single_vision":
        facts |= {"add_dpt": "2.00", "tilt_deg": 0}
    if lens_kind == "multifocal":
        facts |= {"segment_height_mm": "16.0"}
    return LensValues.of(**facts)


def exact_request(values: LensValues, lens_kind: LensKind) -> InspectionRequest:
    """A pair measured exactly as ordered."""
    lens = ordered_lens(values, lens_kind)
    eye = EyeInspection(ordered=lens, measured=lens)
    pair = PairInspection.of(
        ordered_centre_distance_mm="64.0",
        measured_centre_distance_mm="64.0",
        measured_height_difference_mm=0,
        ordered_segment_distance_mm="60.0" if lens_kind == "multifocal" else None,
        measured_segment_distance_mm="60.0" if lens_kind == "multifocal" else None,
    )
    return InspectionRequest(lens_kind=lens_kind, right=eye, left=eye, pair=pair)


def order_drafts() -> tuple[OrderDraft, ...]:
    lens = ordered_lens(ORDERED_LENSES[1], "single_vision")
    return tuple(
        OrderDraft(
            order_id="order-1",
            branch_code="north",
            customer_id="customer-1",
            ordered_on=date(2024, 5, 6),
            age_on_day=age,
            lens_kind="single_vision",
            right=lens,
            left=lens,
            currency="GBP",
            total=Decimal("120.00"),
            prescription_issued_on=date(2024, 5, 1),
        )
        for age in (None, 9, 44)
    )


def handover_drafts() -> tuple[HandoverDraft, ...]:
    lens = ordered_lens(ORDERED_LENSES[1], "single_vision")
    return tuple(
        HandoverDraft(
            order_id="order-1",
            branch_code="north",
            customer_id="customer-1",
            handed_over_on=date(2024, 5, 20),
            age_on_day=age,
            lens_kind="single_vision",
            right=lens,
            left=lens,
            currency="GBP",
            balance_due=Decimal("0.00"),
            verdict_outcome="pass",
        )
        for age in (None, 9, 44)
    )


def pricing_contexts() -> tuple[PricingContext, ...]:
    lines = (
        PriceLine(kind="frame", sku="F-1", description="Frame", quantity=Decimal(1), unit_price=Decimal("80.00")),
        PriceLine(
            kind="lens",
            sku="L-1",
            description="Lens",
            quantity=Decimal(1),
            unit_price=Decimal("20.00"),
            eye="right",
        ),
    )
    day = date(2024, 5, 6)
    return tuple(
        PricingContext(branch_code="north", currency="GBP", priced_on=day, customer_age=age, lines=some)
        for age in (None, 9, 44)
        for some in (lines, ())
    )


_ADDRESSES: Mapping[AddressKind | None, str] = {
    "email": "somebody@example.org",
    "phone": "+442079460018",
    "postal": "12 Mill Lane\nMillford\nMF1 2AB",
}


def message(needs: AddressKind | None = "email", *, form: MessageForm = "long") -> OutboundMessage:
    return OutboundMessage(
        id="message-1",
        to=_ADDRESSES.get(needs, ""),
        subject="Ready to collect",
        body="Your spectacles are ready.",
        language="en",
        purpose="service",
        branch_name="North",
        form=form,
        recipient_name="Wren Alder (invented)",
        branch_address="1 North Street\nMillford\nMF1 1AA",
        branch_phone="+442079460018",
    )


def recall_subjects() -> tuple[RecallSubject, ...]:
    births = (None, date(1940, 2, 29), date(1985, 7, 1), date(2012, 3, 4), date(2022, 1, 1))
    days = (date(2024, 2, 29), date(2024, 12, 31))
    plain = [RecallSubject(date_of_birth=birth, issued_on=day) for birth in births for day in days]
    expiring = [
        RecallSubject(date_of_birth=birth, issued_on=date(2024, 3, 1), expires_on=date(2026, 3, 1)) for birth in births
    ]
    stated = [
        RecallSubject(date_of_birth=birth, issued_on=date(2024, 8, 31), prescriber_interval_months=months)
        for birth in births
        for months in (1, 6, 30)
    ]
    return (*plain, *expiring, *stated)


def journal_entries() -> tuple[JournalEntry, ...]:
    return (
        JournalEntry(
            id="entry-1",
            number="N-0001",
            booked_on=date(2024, 5, 6),
            branch_code="north",
            currency="GBP",
            description='Sale, "special" \u00e9',
            lines=(
                JournalLine(account="1200", debit=Decimal("120.00")),
                JournalLine(account="4000", credit=Decimal("100.00"), tax_code="S"),
                JournalLine(account="2200", credit=Decimal("20.00")),
            ),
        ),
        JournalEntry(
            id="entry-2",
            number="N-0002",
            booked_on=date(2024, 5, 7),
            branch_code="north",
            currency="GBP",
            description="Payment",
            lines=(
                JournalLine(account="1000", debit=Decimal("0.01")),
                JournalLine(account="1200", credit=Decimal("0.01")),
            ),
        ),
    )


def event() -> Event:
    return Event(
        id="event-1",
        type="orders.placed",
        source="/branches/north",
        subject="order-1",
        occurred_at=datetime(2024, 5, 6, 12, 0, tzinfo=UTC),
        branch_code="north",
        data={"order_id": "order-1"},
    )


def tax_baskets() -> tuple[TaxBasket, ...]:
    """A pair with its dispensing, with and without tax in the prices, in three currencies' units, and odd ends."""
    pair: tuple[tuple[TaxedKind, CatalogueCategory, str], ...] = (
        ("frame", "standard", "95"),
        ("lens", "standard", "33"),
        ("lens", "standard", "33"),
        ("treatment", "standard", "0"),
        ("dispensing", "exempt", "61"),
        ("accessory", "standard", "7"),
        ("service", "standard", "1"),
    )

    def lines(inclusive: bool, unit: Decimal, odd: int) -> tuple[TaxLine, ...]:
        return tuple(
            TaxLine(
                code=f"C-{place}",
                kind=kind,
                price=Decimal(price) + odd * unit if Decimal(price) else Decimal(price),
                category=category,
                inclusive=inclusive,
            )
            for place, (kind, category, price) in enumerate(pair)
        )

    return tuple(
        TaxBasket(
            country=place[:2],
            place=place,
            day=date(2024, 5, 6),
            currency=currency,
            minor_unit=unit,
            lines=some,
            supervised=supervised,
        )
        for place in ("GB", "US-XA-001-02")
        for currency, unit in (("GBP", Decimal("0.01")), ("JPY", Decimal(1)), ("KWD", Decimal("0.001")))
        for supervised in (None, True, False)
        for inclusive in (True, False)
        for some in (lines(inclusive, unit, 0), lines(inclusive, unit, 1), lines(inclusive, unit, 1)[:1], ())
    )


def invoices() -> tuple[InvoiceFacts, ...]:
    """A taxed frame and exempt lenses, a deposit paid; and the credit note of the same."""
    seller = InvoiceParty(name="Millrace Opticians (invented)", country="GB", city="Millford", tax_number="GB123456789")
    buyer = InvoiceParty(name="Wren Alder (invented)", country="GB")
    lines = (
        InvoiceLine(
            number=1,
            name="Frame",
            quantity=Decimal(1),
            price=Decimal("100.00"),
            net=Decimal("100.00"),
            tax=Decimal("20.00"),
            category="S",
            rate_percent=Decimal(20),
        ),
        InvoiceLine(
            number=2,
            name="Lens",
            quantity=Decimal(2),
            price=Decimal("150.00"),
            net=Decimal("300.00"),
            tax=Decimal("0.00"),
            category="E",
            rate_percent=Decimal(0),
        ),
    )
    subtotals = (
        InvoiceTaxSubtotal(category="S", rate_percent=Decimal(20), taxable=Decimal("100.00"), tax=Decimal("20.00")),
        InvoiceTaxSubtotal(
            category="E",
            rate_percent=Decimal(0),
            taxable=Decimal("300.00"),
            tax=Decimal("0.00"),
            reason="Exempt (invented reason)",
        ),
    )

    def facts(number: str, prepaid: str, original: InvoiceReference | None) -> InvoiceFacts:
        return InvoiceFacts(
            kind="invoice" if original is None else "credit_note",
            number=number,
            issued_on=date(2024, 5, 6),
            due_on=date(2024, 6, 5),
            currency="GBP",
            seller=seller,
            buyer=buyer,
            lines=lines,
            subtotals=subtotals,
            net_total=Decimal("400.00"),
            tax_total=Decimal("20.00"),
            total=Decimal("420.00"),
            prepaid=Decimal(prepaid),
            payable=Decimal("420.00") - Decimal(prepaid),
            means=("card",),
            original=original,
        )

    original = InvoiceReference(number="N-I-2024-00001", issued_on=date(2024, 5, 6))
    return (facts("N-I-2024-00001", "120.00", None), facts("N-C-2024-00001", "0.00", original))
