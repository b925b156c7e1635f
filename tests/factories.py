"""Factories for the rows that tests need around the behaviour they are about. All data is invented."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import factory

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct, LensSurface, ServiceItem, TaxRate
from opticshop.core.text import folded
from opticshop.customers.models import Customer
from opticshop.orders.models import Order, OrderLine
from opticshop.prescriptions.models import Measurement, PrescribedEye, Prescription


class BranchFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Branch
        django_get_or_create = ("code",)

    code = factory.Sequence(lambda n: f"B{n:03d}")
    name = factory.LazyAttribute(lambda b: f"Branch {b.code} (invented)")


class UserFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = User

    username = factory.Sequence(lambda n: f"user{n}")
    display_name = factory.LazyAttribute(lambda u: u.username.title())


class CustomerFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Customer

    branch = factory.SubFactory(BranchFactory)
    given_name = "Wren"
    family_name = factory.Sequence(lambda n: f"Alder{n}")
    search_given = factory.LazyAttribute(lambda c: folded(c.given_name))
    search_family = factory.LazyAttribute(lambda c: folded(c.family_name))
    birth_date = dt.date(1984, 3, 9)
    email = factory.Sequence(lambda n: f"person{n}@example.org")


class FrameFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Frame

    sku = factory.Sequence(lambda n: f"FR-{n:04d}")
    name = "Heron 50 (invented)"
    price = Decimal("95.00")
    material = Frame.Material.ACETATE
    box_width_mm = Decimal("50")
    box_height_mm = Decimal("38")
    bridge_mm = Decimal("18")
    effective_diameter_mm = Decimal("54")


class LensProductFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = LensProduct

    sku = factory.Sequence(lambda n: f"LE-{n:04d}")
    name = "Clear 1.5 finished (invented)"
    price = Decimal("32.50")
    kind = LensProduct.Kind.SINGLE_VISION
    supply = LensProduct.Supply.FINISHED
    material = "Allyl diglycol carbonate"
    index = Decimal("1.498")
    abbe = Decimal("58")
    density_g_cm3 = Decimal("1.32")
    diameter_mm = Decimal("70")
    usable_diameter_mm = Decimal("68")
    sphere_min_dpt = Decimal("-6")
    sphere_max_dpt = Decimal("4")
    cylinder_max_dpt = Decimal("2")


class LensSurfaceFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = LensSurface

    product = factory.SubFactory(LensProductFactory)
    sphere_from_dpt = Decimal("-6")
    sphere_to_dpt = Decimal("4")
    front_power_dpt = Decimal("4")
    centre_thickness_mm = Decimal("2")
    edge_thickness_mm = Decimal("1")


class DispensingFeeFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = ServiceItem

    sku = "DISP"
    name = "Dispensing (measuring, fitting)"
    price = Decimal("60.00")
    tax_category = "exempt"
    is_dispensing = True


class TaxRateFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = TaxRate
        django_get_or_create = ("jurisdiction", "category", "valid_from")

    jurisdiction = "GB"
    category = "standard"
    percent = Decimal("20")
    valid_from = dt.date(2011, 1, 4)
    source = "invented for tests"
    confidence = "test data"


class PrescriptionFactory(factory.django.DjangoModelFactory):
    """``eyes={"right": {...}, "left": {...}}`` sets columns of the two eyes."""

    class Meta:
        model = Prescription
        skip_postgeneration_save = True

    customer = factory.SubFactory(CustomerFactory)
    branch = factory.SelfAttribute("customer.branch")
    issued_on = dt.date(2026, 1, 15)
    expires_on = dt.date(2028, 1, 15)
    expiry_source = "invented for tests"
    prescriber_name = "R. Sorrel (invented)"

    @factory.post_generation
    def eyes(self, create, given, **kwargs):
        for side in ("right", "left"):
            columns = {"sphere_dpt": Decimal("-2.25"), "cylinder_dpt": Decimal("-0.50"), "axis_deg": 90}
            PrescribedEye.objects.create(prescription=self, eye=side, **columns | (given or {}).get(side, {}))


class MeasurementFactory(factory.django.DjangoModelFactory):
    class Meta:
        model = Measurement

    customer = factory.SubFactory(CustomerFactory)
    branch = factory.SelfAttribute("customer.branch")
    taken_at = dt.datetime(2026, 2, 27, 10, 0, tzinfo=dt.UTC)
    method = Measurement.Method.PUPILMETER
    pd_right_mm = Decimal("31.5")
    pd_left_mm = Decimal("32.0")
    pd_mm = Decimal("63.5")


#: (kind, eye, sku, description, gross, tax category, rate in percent, tax) of an ordinary pair: 220.00, tax 26.67.
ORDINARY_LINES = (
    ("frame", "", "FR-0001", "Heron 50 (invented)", "95.00", "standard", "20", "15.83"),
    ("lens", "right", "LE-0001", "Clear 1.5 finished (invented), right", "32.50", "standard", "20", "5.42"),
    ("lens", "left", "LE-0001", "Clear 1.5 finished (invented), left", "32.50", "standard", "20", "5.42"),
    ("service", "", "DISP", "Dispensing (measuring, fitting)", "60.00", "exempt", "0", "0.00"),
)


class OrderFactory(factory.django.DjangoModelFactory):
    """An order with ORDINARY_LINES as its price; ``order_priced`` makes one with others."""

    class Meta:
        model = Order
        skip_postgeneration_save = True

    class Params:
        priced = ORDINARY_LINES

    customer = factory.SubFactory(CustomerFactory)
    branch = factory.SelfAttribute("customer.branch")
    number = factory.Sequence(lambda n: f"TEST-O-2026-{n:05d}")
    prescription = factory.SubFactory(PrescriptionFactory, customer=factory.SelfAttribute("..customer"))
    measurement = factory.SubFactory(MeasurementFactory, customer=factory.SelfAttribute("..customer"))
    frame = factory.SubFactory(FrameFactory)
    placed_at = dt.datetime(2026, 3, 2, 11, 0, tzinfo=dt.UTC)
    promised_on = dt.date(2026, 3, 5)
    currency = factory.SelfAttribute("branch.currency")
    total = factory.LazyAttribute(lambda o: sum(Decimal(line[4]) for line in o.priced))
    tax_total = factory.LazyAttribute(lambda o: sum(Decimal(line[7]) for line in o.priced))

    @factory.post_generation
    def lines(self, create, given, **kwargs):
        names = ("kind", "eye", "sku", "description", "gross", "tax_category", "tax_rate_percent", "tax")
        for place, values in enumerate(given or ORDINARY_LINES, start=1):
            columns = dict(zip(names, values, strict=True))
            OrderLine.objects.create(order=self, position=place, unit_price=columns["gross"], **columns)


def order_priced(*lines: tuple[str, ...], **more: object) -> Order:
    """An order with these price lines, in the shape of ORDINARY_LINES."""
    return OrderFactory(priced=lines, lines=lines, **more)
