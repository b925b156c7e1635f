"""Points for the charts are written when the events of inspections and readings are delivered."""

from __future__ import annotations

import uuid

from opticshop.core import outbox
from opticshop.core.models import OutboxEvent

from . import charts_points


@outbox.subscribe("quality.inspected", "quality.chart_inspection")
def chart_inspection(event: OutboxEvent) -> None:
    charts_points.points_of_inspection(uuid.UUID(event.data["inspection"]))


@outbox.subscribe("workshop.lens_read", "quality.chart_reading")
def chart_reading(event: OutboxEvent) -> None:
    charts_points.points_of_reading(uuid.UUID(event.data["reading"]))
