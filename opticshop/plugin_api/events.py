"""What has happened, as told to `on_event` from the outbox."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from .errors import InvalidFacts
from .types import JsonReady


@dataclass(frozen=True, slots=True, kw_only=True)
class Event(JsonReady):
    """One event, in the shape of CloudEvents 1.0.

    `id` never changes between deliveries: a plugin remembers it and does nothing the second time. `type` is
    "<app>.<past tense>", such as "orders.placed". `subject` is the id of the thing concerned, `data` holds
    ids and facts as JSON types, never whole records of people.
    """

    id: str
    type: str
    source: str
    subject: str
    occurred_at: datetime
    branch_code: str | None
    data: Mapping[str, Any]

    def __post_init__(self) -> None:
        if self.occurred_at.tzinfo is None:
            raise InvalidFacts("occurred_at needs a time zone", field="occurred_at")
