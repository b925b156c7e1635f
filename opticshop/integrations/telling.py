"""What leaves the house about an event: ids and facts; no free text, nothing about the wearer's health."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

from opticshop.core.models import OutboxEvent

from .models import FeedEntry, WebhookEndpoint

#: Withheld at any depth: words people wrote, which may speak of the wearer, and whether a handover was restricted,
#: which says that the wearer is a child or sight impaired. Whoever may see them reads them at the resource itself.
WITHHELD = frozenset({"reason", "remake_reason", "note", "detail", "restricted"})


def facts_of(event: OutboxEvent) -> dict[str, Any]:
    facts: dict[str, Any] = _without_words(event.data)
    return facts


def _without_words(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_words(inner) for name, inner in value.items() if name not in WITHHELD}
    if isinstance(value, list):
        return [_without_words(inner) for inner in value]
    return value


def cloud_event(entry: FeedEntry, branch_code: str | None) -> dict[str, Any]:
    """The event in the JSON format of CloudEvents 1.0, with its ``sequence`` extension."""
    event = entry.event
    return {
        "specversion": "1.0",
        "id": str(event.id),
        "source": f"/branches/{branch_code}" if branch_code else "/",
        "type": event.type,
        "subject": event.subject,
        "time": _time(event.created_at),
        "sequence": f"{entry.position:020d}",
        "datacontenttype": "application/json",
        "data": facts_of(event),
    }


def plain(entry: FeedEntry, branch_code: str | None) -> dict[str, Any]:
    """The body that Standard Webhooks advises: type, timestamp, data; beside them what it is about."""
    event = entry.event
    return {
        "type": event.type,
        "timestamp": _time(event.created_at),
        "sequence": entry.position,
        "branch": branch_code,
        "subject": event.subject,
        "data": facts_of(event),
    }


def body_for(endpoint: WebhookEndpoint, entry: FeedEntry, branch_code: str | None) -> bytes:
    """The bytes to sign and to send."""
    shape = cloud_event if endpoint.format == WebhookEndpoint.Format.CLOUDEVENTS else plain
    return as_bytes(shape(entry, branch_code))


def trial_body(endpoint: WebhookEndpoint, event_type: str, message_id: str, now: dt.datetime) -> bytes:
    """A message that tells nothing, in the shape the endpoint is told everything else."""
    data = {"endpoint": str(endpoint.id)}
    if endpoint.format == WebhookEndpoint.Format.CLOUDEVENTS:
        head = {"specversion": "1.0", "id": message_id, "source": "/", "type": event_type, "time": _time(now)}
        return as_bytes({**head, "datacontenttype": "application/json", "data": data})
    return as_bytes({"type": event_type, "timestamp": _time(now), "data": data})


def content_type_of(endpoint: WebhookEndpoint) -> str:
    if endpoint.format == WebhookEndpoint.Format.CLOUDEVENTS:
        return "application/cloudevents+json; charset=utf-8"
    return "application/json"


def as_bytes(body: dict[str, Any]) -> bytes:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode()


def _time(moment: dt.datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")
