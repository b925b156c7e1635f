"""The handover: a finished, passed and paid pair goes to the customer, supervised where the supply is restricted."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

from django.db import transaction

from opticshop.accounts.models import User
from opticshop.billing.selectors import Balance, balance_of
from opticshop.core import clock, outbox
from opticshop.core.actor import Actor
from opticshop.core.errors import Conflict, Invalid
from opticshop.core.locks import lock_rows
from opticshop.customers.ages import age_on
from opticshop.orders import services as orders
from opticshop.orders.computing import strictest_kind
from opticshop.orders.models import Order, OrderedLens, OrderState
from opticshop.plugin_api import HandoverDraft
from opticshop.pluginhost import services as plugins
from opticshop.prescriptions.models import Prescription
from opticshop.workshop.selectors import latest_job

from .. import cautions, events, restricted, selectors, supervision
from ..judging import ordered_values
from ..models import Handover, Inspection
from ..permissions import QualityPermission


class OrderNotReady(Conflict):
    """Only a pair that is ready can be handed over; says where the order stands."""

    code = "quality.order_not_ready"
    title = "This order is not ready for collection"


class NotPassed(Conflict):
    """The latest inspection of the finished pair is not a pass."""

    code = "quality.not_passed"
    title = "This pair has not passed its final inspection"


class BalanceDue(Conflict):
    """The order is not paid; says the amount that is left."""

    code = "quality.balance_due"
    title = "There is a balance to pay first"


class SupervisionNeeded(Invalid):
    """The supply is restricted: a registrant of this branch must be named as supervising it."""

    code = "quality.supervision_needed"
    title = "Name the registrant who supervises"


def handover_record(
    *,
    actor: Actor,
    order: Order,
    collected_by: str = "",
    advice: Sequence[str] = (),
    supervised_by: uuid.UUID | None = None,
) -> Handover:
    """Hand a pair over: checked, fitted, advised, paid; its stock is consumed and the order is collected.

    Raises OrderNotReady, NotPassed, BalanceDue, SupervisionNeeded, NotARegistrant, and what a plugin refuses.
    """
    actor.require(QualityPermission.HANDOVER, order.branch_id)
    with transaction.atomic():
        order = _locked(order)
        inspection = _passed_inspection(order)
        balance = _paid(order)
        lenses = list(order.lenses.select_related("product"))
        day = clock.today(order.branch.time_zone)
        age = age_on(order.customer.birth_date, day)
        found = supervision.restriction_of(order, order.branch)
        supervisor = supervision.registrant_at(order.branch, supervised_by) if supervised_by else None
        if found is not None and supervisor is None:
            rule, why = found
            raise SupervisionNeeded(
                f"{why} {rule.words} ({rule.source})", field="supervised_by", allowed="a registrant of this branch"
            )
        plugins.decide_handover(branch=order.branch, draft=_draft(order, lenses, inspection, balance, age, supervisor))
        pair = cautions.Pair(
            products=[lens.product for lens in lenses],
            age_on_day=age,
            has_rule=order.branch.jurisdiction in restricted.RULES,
            jurisdiction=order.branch.jurisdiction,
            is_amended=_is_amended(order),
        )
        handover = Handover.objects.create(
            branch=order.branch,
            order=order,
            inspection=inspection,
            collected_by=collected_by,
            advice=list(advice),
            cautions=cautions.cautions_for(pair),
            is_restricted=found is not None,
            supervised_by=supervisor,
            supervisor_registration=supervisor.registration_number if supervisor else "",
            supervision_gaps=supervision.gaps(order) if found is not None else [],
            handed_over_at=clock.now(),
            handed_over_by_id=actor.id,
        )
        if supervisor is not None:
            supervision.stage_keep(
                actor=actor,
                order=order,
                branch=order.branch,
                stage=supervision.Stage.HANDOVER,
                supervisor=supervisor,
            )
        orders.order_collect(actor=actor, order=order)
        outbox.record(
            event_type=events.HANDED_OVER,
            subject=f"handovers/{handover.id}",
            actor=actor,
            branch_id=order.branch_id,
            data={"handover": str(handover.id), "order": str(order.id), "restricted": handover.is_restricted},
        )
    return handover


def _locked(order: Order) -> Order:
    rows = Order.objects.everywhere("by key, permission checked above").filter(id=order.id)
    [row] = lock_rows(rows.select_related("branch", "customer"))
    if row.state != OrderState.READY:
        raise OrderNotReady(f"Order {row.number} is {row.state}.", field="order", allowed=[OrderState.READY.value])
    return row


def _passed_inspection(order: Order) -> Inspection:
    job = latest_job(order)
    inspection = selectors.latest_inspection(job) if job is not None else None
    if inspection is None or not inspection.lets_through:
        outcome = "none recorded" if inspection is None else inspection.outcome
        if inspection is not None and inspection.outcome == Inspection.Outcome.PASS:
            outcome = "not confirmed by a second person"
        raise NotPassed(f"The latest inspection of order {order.number}: {outcome}.", field="order")
    return inspection


def _paid(order: Order) -> Balance:
    balance = balance_of(order)
    if balance.due > 0:
        raise BalanceDue(
            f"{balance.due} {balance.currency} of order {order.number} is still to be paid.",
            field="order",
            due=str(balance.due),
            currency=balance.currency,
        )
    return balance


def _is_amended(order: Order) -> bool:
    """Whether the prescription was amended after this pair was ordered to it."""
    successors = Prescription.objects.everywhere("of an order the caller hands over").filter(
        supersedes_id=order.prescription_id
    )
    return successors.exists()


def _draft(
    order: Order,
    lenses: list[OrderedLens],
    inspection: Inspection,
    balance: Balance,
    age: int | None,
    supervisor: User | None,
) -> HandoverDraft:
    values = {lens.eye: ordered_values(lens) for lens in lenses}
    return HandoverDraft(
        order_id=str(order.id),
        branch_code=order.branch.code,
        customer_id=str(order.customer_id),
        handed_over_on=clock.today(order.branch.time_zone),
        age_on_day=age,
        lens_kind=strictest_kind(lens.product.kind for lens in lenses),
        right=values.get("right"),
        left=values.get("left"),
        currency=order.currency,
        balance_due=balance.due,
        verdict_outcome=inspection.outcome,  # type: ignore[arg-type]
        supervised_by=str(supervisor.id) if supervisor else None,
        warnings=tuple(warning["code"] for warning in order.warnings),
        flags=frozenset({"sight_impaired"}) if order.customer.is_sight_impaired else frozenset(),
    )
