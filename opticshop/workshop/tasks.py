"""What the workshop does when it hears of an order: open its job, follow its promise, give its job up."""

from __future__ import annotations

from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.orders import spoiling
from opticshop.orders.models import Order, OrderState
from opticshop.orders.selectors import order_get_for

from . import selectors, services
from .models import Job

WORKSHOP = system("workshop")


@spoiling.finds_spoiled("workshop.cut_lenses")
def cut_lenses(order: Order) -> set[str]:
    """The lenses that have begun to be cut for an order; its jobs stay locked until the caller's transaction ends."""
    return services.cut_eyes_of(order)


@outbox.subscribe("orders.placed", "workshop.open_job")
def open_job(event: OutboxEvent) -> None:
    order = _order(event)
    if order.state == OrderState.PLACED and selectors.latest_job(order) is None:
        services.job_open(actor=WORKSHOP, order=order)


@outbox.subscribe("orders.promised", "workshop.follow_promise")
def follow_promise(event: OutboxEvent) -> None:
    job = _live_job(event)
    if job is not None:
        services.job_promise(actor=WORKSHOP, job=job)


@outbox.subscribe("prescriptions.amended", "workshop.stop_amended")
def stop_amended(event: OutboxEvent) -> None:
    """A pair that is being made to a prescription that was amended rests until somebody has decided."""
    for job in selectors.live_jobs_of_prescription(event.data["supersedes"]):
        services.job_hold_back(
            actor=WORKSHOP,
            job=job,
            reason=f"The prescription of order {job.order.number} was amended. Replace the order with one to the "
            "amended prescription, or resume with the reason why not.",
        )


@outbox.subscribe("orders.cancelled", "workshop.give_job_up")
def give_job_up(event: OutboxEvent) -> None:
    job = selectors.latest_job(_order(event))
    if job is not None and job.state in selectors.LIVE_STATES:
        services.job_cancel(actor=WORKSHOP, job=job, reason=f"Order cancelled: {event.data['reason']}")
    if job is not None and event.data.get("spoiled"):
        services.spoilt_record(
            actor=WORKSHOP,
            job=job,
            eyes=event.data["spoiled"],
            cause=_cause_of(event),
            borne_by=event.data.get("borne_by") or "",
            reason=f"Order called off: {event.data['reason']}",
        )


@outbox.subscribe("purchasing.special_lens_received", "workshop.take_special_lens")
def take_special_lens(event: OutboxEvent) -> None:
    """A lens made for the order is there. A job that no longer awaits it was told at the bench, or is given up."""
    if not event.data["reserved"]:
        return
    job = selectors.latest_job(_order(event))
    if job is None:
        raise LookupError(f"order {event.data['order']} has no job yet; tried again later")
    if job.state in selectors.LIVE_STATES and event.data["eye"] in job.awaited_eyes:
        services.lenses_arrived(actor=WORKSHOP, job=job, eyes=[event.data["eye"]])


def _cause_of(event: OutboxEvent) -> str:
    """Why cut lenses were spoilt by an order: as it says, called off where it says nothing of a change."""
    cause = event.data.get("cause")
    return "called_off" if cause in (None, "", "other") else str(cause)


def _live_job(event: OutboxEvent) -> Job | None:
    job = selectors.latest_job(_order(event))
    return job if job is not None and job.state in selectors.LIVE_STATES else None


def _order(event: OutboxEvent) -> Order:
    return order_get_for(WORKSHOP, event.data["order"])
