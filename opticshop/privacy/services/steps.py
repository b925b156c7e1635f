"""The history of a request: one line for each thing that happened, written with it."""

from __future__ import annotations

from collections.abc import Mapping

from opticshop.core import outbox
from opticshop.core.actor import Actor

from ..models import PrivacyRequest, PrivacyStep


def step_record(
    actor: Actor, request: PrivacyRequest, kind: str, words: str = "", counts: Mapping[str, int] | None = None
) -> PrivacyStep:
    return PrivacyStep.objects.create(
        request=request,
        kind=kind,
        by_id=actor.id,
        by_label=actor.label[:200],
        words=words[:300],
        counts=dict(counts or {}),
    )


def event_record(event_type: str, request: PrivacyRequest, actor: Actor) -> None:
    outbox.record(
        event_type=event_type,
        subject=f"privacy-requests/{request.id}",
        actor=actor,
        branch_id=request.branch_id,
        data={"request": str(request.id), "kind": str(request.kind), "state": str(request.state)},
    )
