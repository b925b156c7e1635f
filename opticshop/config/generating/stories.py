"""Tells the stories that orders are pressed from: each is one order of one person, through the services, in days.

What happens in them and how often is common practice without a source, good enough to load a database.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from opticshop.billing import selectors as money
from opticshop.billing import services as billing
from opticshop.billing.models import Payment
from opticshop.core import clock, outbox
from opticshop.core.errors import DomainError
from opticshop.customers import services as customers
from opticshop.customers.models import Customer
from opticshop.orders import services as orders
from opticshop.orders.models import Order
from opticshop.prescriptions import services as prescriptions
from opticshop.prescriptions.measured import Measured
from opticshop.prescriptions.written import WrittenEye, WrittenPrescription
from opticshop.purchasing.judging import Reading as LensReading
from opticshop.purchasing.models import LensOrder
from opticshop.purchasing.services import lens_orders
from opticshop.quality import services as quality
from opticshop.quality.judging import ordered_values
from opticshop.quality.models import PairReturn
from opticshop.stock import services as stock
from opticshop.workshop import selectors as bench
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, JobState, JobStep, StepKind

from .drawing import Batch, Eyes
from .setting_up import Group, Shop

WHY = "a story of the generator"
NOTE = "Invented by a generator: no such person is known to us."
#: Of what comes into the drawers.
LOT, DOCUMENT = "INVENTED", "receipts/generate"
PRESCRIBER = "An invented prescriber"
_SEEN = {name: {"ok": True} for name in ("surfaces", "edges_and_bevel", "fit_in_rim", "strain", "alignment", "screws")}
_POWER = ("sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "prism_in_dpt", "prism_up_dpt")


@dataclass(frozen=True)
class Ending:
    """One way in which a story goes: its share of all orders; ``is_open`` where the order is not done with."""

    name: str
    share: float
    is_open: bool = False


#: Shares of what is done with add up to 1; of what is open, shares tell how it divides.
ENDINGS: tuple[Ending, ...] = (
    Ending("collected", 0.70),
    Ending("deposit", 0.12),
    Ending("lens_broken", 0.04),
    Ending("inspected_twice", 0.03),
    Ending("brought_back", 0.03),
    Ending("paid_back", 0.02),
    Ending("cancelled", 0.03),
    Ending("cancelled_paid", 0.03),
    Ending("placed", 0.35, is_open=True),
    Ending("at_the_bench", 0.30, is_open=True),
    Ending("ready", 0.25, is_open=True),
    Ending("ready_unpaid", 0.10, is_open=True),
)


@dataclass
class Told:
    """What a story left: its customer and order, its first and last moment, and when the trail was written.

    The trail has the time of the database's own clock; ``marks`` says up to which entry each moment reaches.
    """

    ending: Ending
    customer: Customer
    born: dt.date
    order: Order
    began: dt.datetime
    ended: dt.datetime
    marks: list[tuple[int, dt.datetime]] = field(default_factory=list)


class Untold(Exception):
    """The service refused what this person would have needed; another person is tried."""


class Teller:
    """Tells stories at one branch, one after the other, each beginning on a day that its branch is open."""

    def __init__(
        self, group: Group, shop: Shop, mark: Callable[[], int], between: Callable[[str], None] = lambda part: None
    ) -> None:
        """``between`` is told the name of the part that ends: ``person``, ``order``, or ``goods``, which come in."""
        self.group, self.shop, self.mark, self.between = group, shop, mark, between
        self.zone = ZoneInfo(shop.branch.time_zone)
        self.counter, self.hand, self.manager = shop.actors
        self.now = dt.datetime.now(dt.UTC)
        self.marks: list[tuple[int, dt.datetime]] = []

    # --- time -------------------------------------------------------------------------------------------------------

    def go_to(self, day: dt.date, hour: int, minute: int = 0) -> None:
        self.now = dt.datetime.combine(day, dt.time(hour, minute), self.zone).astimezone(dt.UTC)

    def later(self, days: int, hour: int) -> None:
        """So many working days later (Monday to Saturday)."""
        day = self.now.astimezone(self.zone).date()
        while days:
            day += dt.timedelta(days=1)
            days -= day.weekday() < 6
        self.go_to(day, hour, self.now.minute)

    def act(self, use: Callable[..., Any], **given: Any) -> Any:
        """One use case, two minutes after the one before, then what follows from it."""
        self.now += dt.timedelta(minutes=2)
        with clock.at(self.now):
            with transaction.atomic():
                result = use(**given)
            outbox.deliver_all()
        self.marks.append((self.mark(), self.now))
        return result

    # --- the stories ------------------------------------------------------------------------------------------------

    def told(self, ending: Ending, batch: Batch, row: int, given: str, family: str, day: dt.date, variant: int) -> Told:
        """The story of person ``row``; Untold, with everything taken back, where the service refuses."""
        self.marks = []
        self.go_to(day, 9, 10 + variant % 30)
        began = self.now
        try:
            with transaction.atomic():
                customer, order = self._ordered(batch, row, given, family, variant)
                self._end(ending, order, variant)
        except DomainError as refused:
            raise Untold(f"{ending.name}: {refused.code}") from refused
        self.between("order")
        order = Order.objects.everywhere(WHY).get(id=order.id)
        return Told(ending, customer, batch.birth_date[row].item(), order, began, self.now, self.marks)

    def _ordered(self, batch: Batch, row: int, given: str, family: str, variant: int) -> tuple[Customer, Order]:
        branch, today = self.shop.branch, self.now.date()
        customer = self.act(
            customers.customer_register,
            actor=self.counter,
            branch=branch,
            given_name=given,
            family_name=family,
            birth_date=batch.birth_date[row].item(),
            preferred_channel="none",
            wants_recalls=False,
            note=NOTE,
        ).customer
        self.between("person")
        addition = int(batch.addition_hundredths[row])
        prescription = self.act(
            prescriptions.prescription_record,
            actor=self.counter,
            customer=customer,
            written=WrittenPrescription(
                issued_on=today - dt.timedelta(days=variant % 20),
                right=_written(batch.right, row, addition),
                left=_written(batch.left, row, addition),
                prescriber_name=PRESCRIBER,
            ),
        )
        frame = self.group.frames[variant % len(self.group.frames)]
        right, left = (Decimal(int(each[row])).scaleb(-1) for each in (batch.pd_right_tenths, batch.pd_left_tenths))
        measurement = self.act(
            prescriptions.measurement_take,
            actor=self.counter,
            customer=customer,
            frame=frame,
            measured=Measured(
                method="pupilmeter",
                pd_right_mm=right,
                pd_left_mm=left,
                height_right_mm=Decimal(20),
                height_left_mm=Decimal(20),
            ),
        )
        lens = self._lens(batch, row, addition, variant)
        wanted = orders.Wanted(
            branch=branch,
            customer=customer,
            prescription=prescription,
            measurement=measurement,
            frame=frame,
            lenses={"right": lens, "left": lens},
            purpose="near" if addition and lens != self.group.varifocal and variant % 2 else "distance",
        )
        self._fill_drawers(wanted)
        order: Order = self.act(orders.order_place, actor=self.counter, wanted=wanted)
        return customer, order

    def _lens(self, batch: Batch, row: int, addition: int, variant: int) -> Any:
        """Out of the drawer where it can be; with an addition two of three have power variation lenses."""
        if addition and variant % 3:
            return self.group.varifocal
        finished = self.group.finished
        for eyes in (batch.right, batch.left):
            sphere = Decimal(int(eyes.sphere_hundredths[row])).scaleb(-2)
            cylinder = Decimal(int(eyes.cylinder_hundredths[row])).scaleb(-2)
            near = Decimal(addition).scaleb(-2) if addition else 0
            if not (
                finished.sphere_min_dpt <= sphere
                and sphere + near <= finished.sphere_max_dpt
                and -cylinder <= finished.cylinder_max_dpt
            ):
                return self.group.special
        return finished

    def _fill_drawers(self, wanted: orders.Wanted) -> None:
        """What the order takes out of the drawer, and a piece to replace what breaks, has come in before."""
        self.between("order")
        with clock.at(self.now):
            computed = orders.order_quote(actor=self.counter, wanted=wanted).computed
            items = [stock.frame_item_ensure(wanted.frame)]
            for eye, lens in wanted.lenses.items():
                if lens.supply == "finished":
                    supplied = computed.lenses[eye].supplied
                    items.append(stock.lens_item_ensure(lens, supplied["sphere_dpt"], supplied["cylinder_dpt"]))
            for item in items:
                stock.goods_receive(
                    actor=self.counter,
                    branch=wanted.branch,
                    item=item,
                    lot_code=LOT,
                    quantity=2,
                    unit_cost=Decimal("6.00"),
                    document=DOCUMENT,
                )
            outbox.deliver_all()
        self.between("goods")

    def _end(self, ending: Ending, order: Order, variant: int) -> None:
        name = ending.name
        if name in ("deposit", "cancelled_paid", "ready", "at_the_bench") or (name == "placed" and variant % 2):
            self._pay(order, 40, "card" if variant % 4 else "cash")
        if name == "placed":
            return
        if name in ("cancelled", "cancelled_paid"):
            self.later(1, 11)
            for payment in list(Payment.objects.everywhere(WHY).filter(order=order)):
                self.act(
                    billing.payment_refund,
                    actor=self.manager,
                    payment=payment,
                    amount=None,
                    reason="The order is given up",
                )
            self.act(orders.order_cancel, actor=self.manager, order=order, reason="The customer gave it up")
            return
        self._lenses_come(order)
        self.later(1 + variant % 2, 9)
        if name == "at_the_bench":
            self._work(order, 3 + variant % 9)
            return
        if name == "lens_broken":
            self._work(order, 7)
            self._break(order)
            self._lenses_come(order)
        self._work(order, 60, fails=1 if name == "inspected_twice" else 0)
        if ending.is_open:
            return
        self.later(1 + variant % 3, 10 + variant % 6)
        self._hand_over(order, "card" if variant % 4 else "cash")
        if name == "brought_back":
            self.later(6, 11)
            self._brought_back(order)
            self._lenses_come(order)
            self.later(1, 10)
            self._work(order, 60)
            self.later(1, 12)
            self._hand_over(order, "card")
        if name == "paid_back":
            self.later(3, 15)
            paid = Payment.objects.everywhere(WHY).filter(order=order).exclude(kind="refund").latest("id")
            self.act(
                billing.payment_refund, actor=self.manager, payment=paid, amount=Decimal("10.00"), reason="Goodwill"
            )

    # --- its parts --------------------------------------------------------------------------------------------------

    def _pay(self, order: Order, percent: int, method: str) -> None:
        amount = (money.balance_of(order).due * percent / 100).quantize(Decimal("1"))
        self.act(billing.payment_take, actor=self.counter, order=order, amount=amount, method=method)

    def _hand_over(self, order: Order, method: str) -> None:
        order = Order.objects.everywhere(WHY).select_related("branch", "customer").get(id=order.id)
        due = money.balance_of(order).due
        if due > 0:
            self.act(billing.payment_take, actor=self.counter, order=order, amount=due, method=method)
        born = order.customer.birth_date
        registrant = self.manager.id if born and born.year > self.now.year - 17 else None
        self.act(quality.handover_record, actor=self.counter, order=order, supervised_by=registrant)

    def _lenses_come(self, order: Order) -> None:
        """Lenses that are made for it are ordered, come a week later, and are good."""
        with clock.at(self.now):
            drafts = list(_special(order, ("draft",)))
        for draft in drafts:
            self.act(lens_orders.lens_order_send, actor=self.manager, lens_order=draft)
        if drafts:
            self.later(5, 10)
        for sent in list(_special(order, ("sent", "confirmed"))):
            shown = {name: getattr(sent, name) for name in _POWER}
            self.act(lens_orders.lens_order_receive, actor=self.counter, lens_order=sent, reading=LensReading(**shown))

    def _job(self, order: Order) -> Job | None:
        jobs = Job.objects.everywhere(WHY).select_related("branch", "order__branch", "order__frame")
        return jobs.filter(order=order, state__in=bench.LIVE_STATES).first()

    def _work(self, order: Order, acts: int, fails: int = 0) -> None:
        """So many acts at the bench, each the one that is due, or until the pair is packed."""
        for _ in range(acts):
            job = self._job(order)
            if job is None:
                return
            if job.state == JobState.STOPPED:
                self.act(workshop.job_resume, actor=self.hand, job=job, note="It goes on")
                continue
            if job.state == JobState.WAITING:
                self.act(workshop.lenses_arrived, actor=self.hand, job=job)
                continue
            step = bench.next_step(job.steps.all())
            if step is None:
                return
            if step.kind == StepKind.VERIFY and (missing := bench.lenses_to_verify(job)):
                self._verify(job, sorted(missing)[0])
            elif step.kind == StepKind.INSPECT:
                self._inspect(job, is_good=not fails)
                fails = max(0, fails - 1)
            else:
                use = workshop.step_start if step.state == JobStep.State.PENDING else workshop.step_finish
                self.act(use, actor=self.hand, job=job, kind=step.kind)

    def _verify(self, job: Job, eye: str) -> None:
        lens = job.order.lenses.get(eye=eye)
        reading = workshop.Reading(**{name: getattr(lens, name) for name in _POWER})
        self.act(workshop.lens_verify, actor=self.hand, job=job, eye=eye, reading=reading)

    def _inspect(self, job: Job, *, is_good: bool) -> None:
        readings: dict[str, Any] = {}
        for lens in job.order.lenses.select_related("product"):
            values = {name: value for name, value in asdict(ordered_values(lens)).items() if value is not None}
            if "add_dpt" in values:
                values["addition_dpt"] = values.pop("add_dpt")
            values["sphere_dpt"] += Decimal(0 if is_good else 1)
            readings[lens.eye] = values
        self.act(
            quality.inspection_record,
            actor=self.hand,
            job=job,
            readings=readings,
            visual=_SEEN,
            redo_from=StepKind.GLAZE,
        )

    def _break(self, order: Order) -> None:
        if job := self._job(order):
            self.act(
                workshop.lens_break,
                actor=self.hand,
                job=job,
                eye="left",
                step="edge",
                reason="Chipped",
                cause="chipped",
            )

    def _brought_back(self, order: Order) -> None:
        self.act(
            quality.return_record,
            actor=self.counter,
            order=order,
            cause="axis_off",
            eye="right",
            words="The axis is off",
        )
        found = PairReturn.objects.everywhere(WHY).select_related("branch", "order").get(order=order, decision="")
        with clock.at(self.now):
            self._refill(order)
        self.act(
            quality.return_decide,
            actor=self.manager,
            found=found,
            decision="remake",
            note="Made again",
            branch=self.shop.branch,
        )

    def _refill(self, order: Order) -> None:
        self.between("order")
        for lens in order.lenses.select_related("product"):
            if not lens.is_special_order:
                stock.goods_receive(
                    actor=self.counter,
                    branch=self.shop.branch,
                    item=stock.lens_item_ensure(lens.product, lens.sphere_dpt, lens.cylinder_dpt),
                    lot_code=LOT,
                    quantity=2,
                    unit_cost=Decimal("6.00"),
                    document=DOCUMENT,
                )
        outbox.deliver_all()
        self.between("goods")


def _special(order: Order, states: tuple[str, ...]) -> Iterator[LensOrder]:
    rows = LensOrder.objects.everywhere(WHY).select_related("branch", "order", "supplier")
    yield from rows.filter(order=order, state__in=states).order_by("id")


def _written(eyes: Eyes, row: int, addition: int) -> WrittenEye:
    cylinder = Decimal(int(eyes.cylinder_hundredths[row])).scaleb(-2)
    return WrittenEye(
        sphere_dpt=Decimal(int(eyes.sphere_hundredths[row])).scaleb(-2),
        cylinder_dpt=cylinder,
        axis_deg=int(eyes.axis_deg[row]) or None,
        addition_dpt=Decimal(addition).scaleb(-2) if addition else None,
    )
