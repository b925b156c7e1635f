"""Rows in which each cause begins at a known moment, and ends by what ends it in the shop. All data is invented."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from opticshop.alerts import services
from opticshop.alerts.models import Alert
from opticshop.billing.models import Payment
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import system
from opticshop.correspondence.models import Message
from opticshop.instruments.models import CheckPiece, CheckReading, Instrument
from opticshop.purchasing.models import LensOrder, PurchaseOrder, Supplier
from opticshop.stock.models import Lot, StockItem, StockLevel
from opticshop.workshop.models import Job
from tests.conftest import NOON
from tests.factories import CustomerFactory, FrameFactory, LensProductFactory, OrderFactory, PrescriptionFactory

WATCH = system("test")
LONDON = ZoneInfo("Europe/London")
MINUTE = dt.timedelta(minutes=1)
TODAY = NOON.date()


def local(day: str, time: str = "00:00") -> dt.datetime:
    """An instant by the clocks of the shop."""
    return dt.datetime.fromisoformat(f"{day}T{time}").replace(tzinfo=LONDON)


def evaluate(moment: dt.datetime = NOON, branch: Branch | None = None) -> int:
    with clock.at(moment):
        return services.alerts_evaluate(actor=WATCH, branch=branch)


def alerts(**conditions: Any) -> list[Alert]:
    return list(Alert.objects.everywhere("test").filter(**conditions).order_by("id"))


def live(**conditions: Any) -> list[Alert]:
    return alerts(state__in=["open", "acknowledged"], **conditions)


def change(row: Any, **columns: Any) -> None:
    """Write columns straight into a row, as the past or other use cases left them."""
    type(row).unscoped.filter(pk=row.pk).update(**columns)


@dataclass(frozen=True)
class Begun:
    """A cause that begins at a moment, and what ends it. ``begin`` is for causes that no clock brings about."""

    at: dt.datetime
    end: Callable[[], Any]
    begin: Callable[[], Any] | None = None


def an_order(branch: Branch, **columns: Any) -> Any:
    return OrderFactory(customer__branch=branch, **columns)


def a_job(branch: Branch, promised_on: dt.date = TODAY, **columns: Any) -> Job:
    order = an_order(branch, promised_on=promised_on, state="in_workshop")
    return Job.objects.create(
        branch=branch, number=f"J-{order.number}", order=order, promised_on=promised_on, **columns
    )


def overdue_job(branch: Branch) -> Begun:
    job = a_job(branch)
    # Two working hours before closing at 17:30 on the promised day.
    return Begun(local("2026-03-02", "15:30"), lambda: change(job, state="finished"))


def a_supplier() -> Supplier:
    return Supplier.objects.get_or_create(name="Lens works (invented)")[0]


def a_lens_order(branch: Branch, **columns: Any) -> LensOrder:
    order = an_order(branch, promised_on=dt.date(2026, 3, 20), state="in_workshop")
    values = {
        "number": f"L-{order.number}",
        "eye": "right",
        "product": LensProductFactory(),
        "sphere_dpt": Decimal("-2.25"),
        "cylinder_dpt": Decimal("0"),
        "centration_distance_mm": Decimal("31.5"),
        "centration_height_mm": Decimal("20"),
        "diameter_mm": Decimal("70"),
        "supplier": a_supplier(),
        "unit_cost": Decimal("9.00"),
        "state": "sent",
        "expected_on": NOON.date(),
    }
    return LensOrder.objects.create(branch=branch, order=order, **values | columns)


def late_lens(branch: Branch) -> Begun:
    lens = a_lens_order(branch)
    return Begun(local("2026-03-03"), lambda: change(lens, state="received"))


def late_purchase_order(branch: Branch) -> Begun:
    order = PurchaseOrder.objects.create(
        branch=branch,
        supplier=a_supplier(),
        number="P-1",
        state="sent",
        currency="GBP",
        sent_at=NOON,
        expected_on=NOON.date(),
    )
    return Begun(local("2026-03-03"), lambda: change(order, state="received"))


def uncollected(branch: Branch) -> Begun:
    order = an_order(branch, state="ready", ready_at=NOON)
    return Begun(local("2026-03-16"), lambda: change(order, state="collected", collected_at=NOON))


def pay(order: Any, amount: str) -> Payment:
    return Payment.objects.create(
        branch=order.branch,
        order=order,
        kind="balance",
        method="cash",
        amount=Decimal(amount),
        currency="GBP",
        taken_at=NOON,
    )


def unpaid_balance(branch: Branch) -> Begun:
    order = an_order(branch, state="collected", collected_at=NOON)
    pay(order, "200.00")
    return Begun(local("2026-03-09"), lambda: pay(order, "20.00"))


def prescription_expiring(branch: Branch) -> Begun:
    customer = CustomerFactory(branch=branch)
    prescription = PrescriptionFactory(customer=customer, expires_on=dt.date(2026, 3, 12))
    order = OrderFactory(customer=customer, prescription=prescription, state="placed")
    return Begun(local("2026-03-05"), lambda: change(order, state="ready"))


def calibration_due(branch: Branch) -> Begun:
    gauge = Instrument.objects.create(branch=branch, kind="thickness_gauge", name="Gauge 1", interval_days=30)
    piece = CheckPiece.objects.create(branch=branch, name="Block", quantity="thickness_mm", certified_value=2)
    CheckReading.objects.create(
        branch=branch,
        instrument=gauge,
        piece=piece,
        quantity="thickness_mm",
        certified_value=2,
        piece_uncertainty=0,
        reading=2,
        deviation=0,
        permitted_error=1,
        limit_source="invented for tests",
        limit_confidence="test data",
        near_limit=False,
        outcome="pass",
        checked_at=NOON,
    )
    # Due on 1 April, raised the day before: summer time began on 29 March.
    end = lambda: change(gauge, in_service=False, out_reason="On the shelf")  # noqa: E731
    return Begun(local("2026-03-31"), end)


def a_level(branch: Branch, on_hand: int, minimum: int = 2) -> Lot:
    item = StockItem.objects.create(kind="frame", frame=FrameFactory())
    StockLevel.objects.create(branch=branch, item=item, minimum=minimum, target=minimum + 3)
    return Lot.objects.create(branch=branch, item=item, code="A", on_hand=on_hand)


def low_stock(branch: Branch) -> Begun:
    lot = a_level(branch, on_hand=3)
    return Begun(NOON, lambda: change(lot, on_hand=5), begin=lambda: change(lot, on_hand=2))


def a_message(order: Any, **columns: Any) -> Message:
    values = {
        "branch": order.branch,
        "customer": order.customer,
        "kind": "ready_for_collection",
        "subject_ref": f"orders/{order.id}",
        "channel": "post-box",
        "to": order.customer.email,
        "subject": "Ready",
        "body": "Ready",
        "state": "failed",
    }
    return Message.objects.create(**values | columns)


def message_failed(branch: Branch) -> Begun:
    order = an_order(branch, state="ready", ready_at=NOON)
    message = a_message(order, state="queued")
    return Begun(
        NOON,
        lambda: change(order, state="cancelled", cancelled_reason="Called off"),
        begin=lambda: change(message, state="failed"),
    )


def wrong_address(branch: Branch) -> Begun:
    order = an_order(branch, state="collected", collected_at=NOON)
    pay(order, "220.00")
    a_message(order)
    end = lambda: change(order.customer, email="elsewhere@example.org")  # noqa: E731
    return Begun(NOON, end, begin=lambda: a_message(order, kind="other"))


#: Test name -> (cause, what makes it).
BEGINNINGS: dict[str, tuple[str, Callable[[Branch], Begun]]] = {
    "overdue_job": ("overdue_job", overdue_job),
    "late_lens": ("lens_late", late_lens),
    "late_purchase_order": ("lens_late", late_purchase_order),
    "uncollected": ("uncollected", uncollected),
    "unpaid_balance": ("unpaid_balance", unpaid_balance),
    "prescription_expiring": ("prescription_expiring", prescription_expiring),
    "calibration_due": ("calibration_due", calibration_due),
    "low_stock": ("low_stock", low_stock),
    "message_failed": ("message_failed", message_failed),
    "wrong_address": ("wrong_address", wrong_address),
}


@pytest.fixture
def overdue(mill: Branch) -> Job:
    """A job promised for the Friday before the test day: raised at once, a warning."""
    return a_job(mill, dt.date(2026, 2, 27))
