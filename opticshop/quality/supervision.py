"""Supervised stages of a restricted supply: who, registered how, watched over which stage of which order."""

from __future__ import annotations

import uuid

from django.db import transaction

from opticshop.accounts.models import User
from opticshop.branches.models import Branch
from opticshop.core import clock
from opticshop.core.actor import Actor
from opticshop.core.errors import Invalid
from opticshop.customers.ages import age_on
from opticshop.orders.models import Order

from . import restricted, selectors
from .models import SupervisedStage
from .restricted import RestrictedSupply

Stage = SupervisedStage.Stage
#: What is supervised before a restricted pair is handed over (GOC standard 9 and ABDO advice C4.6.4 name measuring,
#: checking, fitting at collection, and later repair that amounts to a new dispense).
BEFORE_HANDOVER = (Stage.MEASUREMENT, Stage.FINAL_CHECK)


class NotARegistrant(Invalid):
    """The person named has no number in the professional register."""

    code = "quality.not_a_registrant"
    title = "This person is not registered"


def restriction_of(order: Order, branch: Branch) -> tuple[RestrictedSupply, str] | None:
    """The rule that restricts supplying this wearer today at a branch, and why; None where none does."""
    day = clock.today(branch.time_zone)
    return restricted.restriction(
        jurisdiction=branch.jurisdiction,
        age_on_day=age_on(order.customer.birth_date, day),
        is_sight_impaired=order.customer.is_sight_impaired,
    )


def registrant_at(branch: Branch, user_id: uuid.UUID) -> User:
    """A registered colleague at a branch. Raises NotFound, NotARegistrant."""
    person = selectors.colleague_at(branch, user_id)
    if not person.registration_number:
        raise NotARegistrant(f"{person} has no registration number on record.", field="supervised_by")
    return person


def stage_keep(
    *, actor: Actor, order: Order, branch: Branch, stage: Stage, supervisor: User, note: str = ""
) -> SupervisedStage:
    """Write a supervised stage in the caller's transaction, with the register entry as it is now."""
    with transaction.atomic():
        return SupervisedStage.objects.create(
            branch=branch,
            order=order,
            stage=stage,
            supervised_by=supervisor,
            supervisor_registration=supervisor.registration_number,
            is_restricted=restriction_of(order, branch) is not None,
            note=note,
            supervised_at=clock.now(),
            recorded_by_id=actor.id,
        )


def gaps(order: Order) -> list[str]:
    """The stages before the handover for which no supervision is on record."""
    stages = SupervisedStage.objects.everywhere("of an order the caller hands over").filter(order=order)
    kept = set(stages.values_list("stage", flat=True))
    return [str(stage) for stage in BEFORE_HANDOVER if stage not in kept]
