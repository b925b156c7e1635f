"""Enter the historic example values of the public schemes."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from opticshop.core.actor import system
from opticshop.prices.vouchers_services import scheme_examples_load


class Command(BaseCommand):
    help = "Enter the historic example values of public schemes that are not entered yet. None is in force in 2026."

    def handle(self, *args: Any, **options: Any) -> None:
        loaded = scheme_examples_load(actor=system("scheme_values_load"))
        self.stdout.write(f"{loaded} example values entered. The values in force are entered by head office.")
