"""One customer with a prescription, measurements, a frame and lenses in the drawer: ready to order."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import pytest

from opticshop.branches.models import Branch
from opticshop.catalogue.models import Frame, LensProduct
from opticshop.core.actor import system
from opticshop.customers.models import Customer
from opticshop.prescriptions.models import Measurement, PrescribedEye, Prescription
from opticshop.stock import services as stock
from tests.factories import (
    CustomerFactory,
    DispensingFeeFactory,
    FrameFactory,
    LensProductFactory,
    LensSurfaceFactory,
    TaxRateFactory,
)
from tests.remembering import staged

SYSTEM = system("test")
#: (sphere, cylinder, axis, addition)
RIGHT = ("-4.00", "-1.00", 170, "2.00")
LEFT = ("-4.50", "0.00", None, "2.00")


@dataclass
class World:
    branch: Branch
    customer: Customer
    prescription: Prescription
    measurement: Measurement
    frame: Frame
    lens: LensProduct

    def body(self, **more: Any) -> dict[str, Any]:
        return {
            "branch": str(self.branch.id),
            "customer": str(self.customer.id),
            "prescription": str(self.prescription.id),
            "measurement": str(self.measurement.id),
            "frame": str(self.frame.id),
            "lenses": {"right": str(self.lens.id), "left": str(self.lens.id)},
            **more,
        }

    def stock_lens(self, sphere: str, cylinder: str, quantity: int = 2, lens: LensProduct | None = None) -> None:
        item = stock.lens_item_ensure(lens or self.lens, Decimal(sphere), Decimal(cylinder))
        receive(self.branch, item, quantity)


def receive(branch, item, quantity):
    return stock.goods_receive(
        actor=SYSTEM,
        branch=branch,
        item=item,
        lot_code="L1",
        quantity=quantity,
        unit_cost=Decimal("4.00"),
        document="receipts/test",
    )


def prescribe(customer, *, right=RIGHT, left=LEFT, vertex=None, expires_on=dt.date(2028, 1, 1)) -> Prescription:
    prescription = Prescription.unscoped.create(
        branch=customer.branch,
        customer=customer,
        issued_on=dt.date(2026, 1, 5),
        expires_on=expires_on,
        expiry_source="stated",
        prescriber_name="A. Prescriber (invented)",
        vertex_distance_mm=vertex,
    )
    for eye, values in (("right", right), ("left", left)):
        sphere, cylinder, axis, addition = values
        PrescribedEye.objects.create(
            prescription=prescription,
            eye=eye,
            sphere_dpt=Decimal(sphere),
            cylinder_dpt=Decimal(cylinder),
            axis_deg=axis,
            addition_dpt=addition and Decimal(addition),
        )
    return prescription


def measure(customer, **more) -> Measurement:
    values = {
        "pd_right_mm": Decimal("33"),
        "pd_left_mm": Decimal("32"),
        "pd_mm": Decimal("65"),  # common practice, no source
        "height_right_mm": Decimal("20"),
        "height_left_mm": Decimal("20"),
        **more,
    }
    return Measurement.unscoped.create(
        branch=customer.branch,
        customer=customer,
        taken_at=dt.datetime(2026, 3, 2, 10, tzinfo=dt.UTC),
        method="pupilmeter",
        **values,
    )


@pytest.fixture
def world(mill, request) -> World:
    return staged(request, "world", lambda: build(mill))


def build(mill) -> World:
    TaxRateFactory()
    DispensingFeeFactory()
    customer = CustomerFactory(branch=mill)
    frame = FrameFactory()
    lens = LensProductFactory(sphere_min_dpt=Decimal("-10"))
    LensSurfaceFactory(product=lens, sphere_from_dpt=Decimal("-10"))
    world = World(mill, customer, prescribe(customer), measure(customer, frame=frame), frame, lens)
    receive(mill, stock.frame_item_ensure(frame), 1)
    world.stock_lens("-4.00", "-1.00")
    world.stock_lens("-4.50", "0.00")
    return world
