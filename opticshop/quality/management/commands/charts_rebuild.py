"""``manage.py charts_rebuild``: write the points of the control charts anew from the inspections and readings."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from opticshop.quality.charts_points import points_rebuild


class Command(BaseCommand):
    help = "Write the points of the control charts anew from all inspections and readings."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{points_rebuild()} points written.")
