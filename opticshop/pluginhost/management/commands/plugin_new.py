"""``manage.py plugin_new acme-rules --kind recall`` writes a plugin that works, to begin from."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from opticshop.pluginhost.scaffolding import SKELETONS, CannotWrite, write_plugin


class Command(BaseCommand):
    help = "Write a new plugin: a distribution with a working example of its kind, its tests and a README."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", help="kebab-case, for instance acme-rules")
        parser.add_argument("--kind", choices=SKELETONS, required=True)
        parser.add_argument("--into", default="plugins", type=Path, help="the folder to write it in (plugins)")

    def handle(self, *args: Any, name: str, kind: str, into: Path, **options: Any) -> None:
        try:
            home = write_plugin(name, kind, into)
        except CannotWrite as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"Written: {home}. Next: pip install -e {home} && pytest {home} && manage.py plugins check")
