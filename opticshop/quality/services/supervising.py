"""Recording that a registrant supervised a stage of a supply: at the measuring, the final check, or a later repair."""

from __future__ import annotations

import uuid

from django.db import transaction

from opticshop.core import outbox
from opticshop.core.actor import Actor
from opticshop.orders.models import Order

from .. import events, supervision
from ..models import SupervisedStage
from ..permissions import QualityPermission


def supervision_record(
    *, actor: Actor, order: Order, stage: str, supervised_by: uuid.UUID, note: str = ""
) -> SupervisedStage:
    """Record the registrant of the order's branch who supervised a stage, at the time. Raises NotFound, NotARegistrant.

    Any supply may be supervised; the row says whether this one had to be.
    """
    actor.require(QualityPermission.SUPERVISE, order.branch_id)
    with transaction.atomic():
        supervisor = supervision.registrant_at(order.branch, supervised_by)
        kept = supervision.stage_keep(
            actor=actor,
            order=order,
            branch=order.branch,
            stage=supervision.Stage(stage),
            supervisor=supervisor,
            note=note,
        )
        outbox.record(
            event_type=events.SUPERVISED,
            subject=f"supervisions/{kept.id}",
            actor=actor,
            branch_id=order.branch_id,
            data={
                "supervision": str(kept.id),
                "order": str(order.id),
                "stage": stage,
                "restricted": kept.is_restricted,
            },
        )
    return kept
