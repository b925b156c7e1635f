"""The acts of ``Shop`` at the bench, at the supplier's of special lenses, at the handover and after it."""

from __future__ import annotations

from dataclasses import asdict
from decimal import Decimal
from typing import Any

from opticshop.billing.models import Payment
from opticshop.orders.models import OrderedLens
from opticshop.purchasing.judging import Reading
from opticshop.purchasing.models import LensOrder
from opticshop.purchasing.services import lens_orders
from opticshop.quality import services as quality
from opticshop.quality.judging import ordered_values
from opticshop.quality.models import PairReturn
from opticshop.workshop import selectors as bench
from opticshop.workshop import services as workshop
from opticshop.workshop.models import Job, JobState, JobStep, StepKind

from .shop import SEEN, Shop

POWER = ("sphere_dpt", "cylinder_dpt", "axis_deg", "addition_dpt", "prism_in_dpt", "prism_up_dpt")


def shown(lens: OrderedLens | LensOrder, *, is_good: bool = True) -> dict[str, Any]:
    """What the focimeter shows of a lens: what was ordered, or a dioptre off."""
    values = {name: getattr(lens, name) for name in POWER}
    values["sphere_dpt"] += Decimal(0) if is_good else Decimal(1)
    return values


class Workbench(Shop):
    def verify(self, job: Job, who: int, eye: str, is_good: bool) -> bool:
        lens = job.order.lenses.filter(eye=eye).first() or job.order.lenses.first()
        return self.act("verify", lambda: workshop.lens_verify(
            actor=self.person(who), job=job, eye=eye, reading=workshop.Reading(**shown(lens, is_good=is_good)),
        ))  # fmt: skip

    def work(self, which: int, who: int, steps: int) -> None:
        """The job goes on by so many acts, each the one that is due."""
        for _ in range(steps):
            job = self.job(which)
            if job is None or not self._next(job, who):
                return

    def _next(self, job: Job, who: int) -> bool:
        if job.state == JobState.STOPPED:
            return self.act("resume", lambda: workshop.job_resume(actor=self.person(who), job=job, note="test"))
        if job.state == JobState.WAITING:
            return self.arrived(job, who)
        step = bench.next_step(job.steps.all())
        if step is None:
            return False
        if step.kind == StepKind.VERIFY and (missing := bench.lenses_to_verify(job)):
            return self.verify(job, who, sorted(missing)[0], True)
        if step.kind == StepKind.INSPECT:
            return self.inspect(job, who, True)
        use = workshop.step_start if step.state == JobStep.State.PENDING else workshop.step_finish
        return self.act(f"{step.kind}", lambda: use(actor=self.person(who), job=job, kind=step.kind))

    def step(self, which: int, who: int, way: str, kind: str) -> None:
        if not (job := self.job(which)):
            return
        person = self.person(who)
        calls = {
            "start": lambda: workshop.step_start(actor=person, job=job, kind=kind),
            "finish": lambda: workshop.step_finish(actor=person, job=job, kind=kind),
            "skip": lambda: workshop.step_skip(actor=person, job=job, kind=kind, note="test"),
            "undo": lambda: workshop.step_undo(actor=person, job=job, reason="test"),
            "stop": lambda: workshop.job_stop(actor=person, job=job, reason="test"),
            "resume": lambda: workshop.job_resume(actor=person, job=job, note="test"),
            "claim": lambda: workshop.job_claim(actor=person, job=job, take_over=kind == StepKind.EDGE),
            "release": lambda: workshop.job_release(actor=person, job=job),
        }
        self.act(f"step_{way}", calls[way])

    def arrived(self, job: Job, who: int) -> bool:
        done = False
        if job.awaited_eyes:
            done = self.act("lens_here", lambda: workshop.lenses_arrived(actor=self.person(who), job=job))
        if job.awaits_frame:
            done |= self.act("frame_here", lambda: workshop.frame_arrived(actor=self.person(who), job=job))
        return done

    def smash(self, which: int, who: int, part: str) -> None:
        if not (job := self.job(which)):
            return
        person = self.person(who)
        if part == "frame":
            self.act("smash_frame", lambda: workshop.frame_break(actor=person, job=job, step="edge", reason="test"))
        else:
            self.act("smash_lens", lambda: workshop.lens_break(
                actor=person, job=job, eye=part, step="edge", reason="test", cause="chipped",
            ))  # fmt: skip

    def inspect(self, job: Job, who: int, is_good: bool, redo_from: str = StepKind.VERIFY) -> bool:
        readings: dict[str, Any] = {}
        for lens in job.order.lenses.select_related("product"):
            values = {name: value for name, value in asdict(ordered_values(lens)).items() if value is not None}
            if "add_dpt" in values:
                values["addition_dpt"] = values.pop("add_dpt")
            values["sphere_dpt"] += Decimal(0) if is_good else Decimal(1)
            readings[lens.eye] = values
        return self.act("inspect", lambda: quality.inspection_record(
            actor=self.person(who), job=job, readings=readings, visual=SEEN, redo_from=redo_from,
        ))  # fmt: skip

    # --- special lenses -----------------------------------------------------------------------------------------------

    def special(self, which: int, way: str) -> None:
        rows = LensOrder.objects.everywhere("test").select_related("branch", "order", "supplier")
        if not (found := self.one(rows, which)):
            return
        day = self.now.date()
        calls = {
            "send": lambda: lens_orders.lens_order_send(actor=self.boss, lens_order=found),
            "confirm": lambda: lens_orders.lens_order_confirm(actor=self.boss, lens_order=found, promised_on=day),
            "receive": lambda: lens_orders.lens_order_receive(
                actor=self.boss, lens_order=found, reading=Reading(**shown(found))
            ),
            "receive_wrong": lambda: lens_orders.lens_order_receive(
                actor=self.boss, lens_order=found, reading=Reading(**shown(found, is_good=False))
            ),
            "fault": lambda: lens_orders.lens_order_fault(
                actor=self.boss, lens_order=found, reason="test", is_here=which % 2 == 0
            ),
            "cancel": lambda: lens_orders.lens_order_cancel(actor=self.boss, lens_order=found, reason="test"),
            "more": lambda: lens_orders.lens_orders_ensure(actor=self.boss, order=found.order, reason="test"),
        }
        self.act(f"special_{way}", calls[way], may_be_silent=way == "more")

    # --- handover and after it ----------------------------------------------------------------------------------------

    def hand_over(self, which: int, pays: bool) -> None:
        """What is due is paid first, or not."""
        if order := self.order(which, "ready") or self.order(which):
            if pays:
                self.pay_order(order, 100, "card")
            self.act("hand_over", lambda: quality.handover_record(actor=self.boss, order=order))

    def bring_back(self, which: int, cause: str, eye: str) -> None:
        if order := self.order(which, "collected") or self.order(which):
            self.act("bring_back", lambda: quality.return_record(
                actor=self.boss, order=order, cause=cause, eye=eye, words="test",
            ))  # fmt: skip

    def decide(self, which: int, decision: str, branch: int, part: int) -> None:
        rows = PairReturn.objects.everywhere("test").select_related("branch", "order")
        if not (found := self.one(rows, which)):
            return
        payment = None
        if decision == "refund":
            paid = Payment.objects.everywhere("test").exclude(kind="refund").filter(order=found.order)
            payment = self.one(paid, 0)
        amount = None if payment is None or part == 100 else self.share(payment.amount, part)
        at = self.place.branches[branch] if decision == "remake" else None
        self.act(f"decide_{decision}", lambda: quality.return_decide(
            actor=self.boss, found=found, decision=decision, note="test", branch=at, payment=payment, amount=amount,
        ))  # fmt: skip

    def whole_way(self, branch: int, kind: str, who: int) -> None:
        """From the order to the handover, as far as it goes."""
        if not self.place_order(branch, kind):
            return
        for _ in range(3):
            self.deliver()
            for lens_order in (0, 1):
                if kind in ("special", "mixed"):
                    self.special(lens_order, "send")
                    self.special(lens_order, "receive")
        self.deliver()
        self.work(0, who, 30)
        self.deliver()
        self.hand_over(0, True)
