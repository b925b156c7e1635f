"""Put the triggers of the audit trail in place; migrate does it by itself."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand
from django.db import connection

from opticshop.audit.triggers import install


class Command(BaseCommand):
    help = "Make the triggers that write the audit trail; what is right already is left alone."

    def handle(self, *args: Any, **options: Any) -> None:
        self.stdout.write(f"{install(connection)} triggers were made anew or dropped.")
