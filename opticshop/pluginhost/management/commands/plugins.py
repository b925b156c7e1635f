"""``manage.py plugins list`` names the installed plugins; ``plugins check`` tries them, to be run before an upgrade."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError

from opticshop.plugin_api import API_VERSION
from opticshop.pluginhost import checking
from opticshop.pluginhost.manager import PluginHost, host
from opticshop.pluginhost.starting import described


class Command(BaseCommand):
    help = "List the installed plugins, or check them against this release (exit code 1 if one cannot be relied on)."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("what", choices=["list", "check"])
        parser.add_argument(
            "--with-side-effects",
            action="store_true",
            help="check also what acts on the world: sends a test message by each channel and tells an invented event",
        )

    def handle(self, *args: Any, what: str, with_side_effects: bool, **options: Any) -> None:
        present = host()
        self.stdout.write(f"Plugin contract {API_VERSION}: {len(present.plugins)} in use, {len(present.left_out)} not")
        faults = self._list(present) if what == "list" else self._check(present, with_side_effects)
        if faults and what == "check":
            raise CommandError(f"{faults} fault{'s' if faults > 1 else ''}; see above", returncode=1)

    def _list(self, present: PluginHost) -> int:
        for plugin in present.plugins.values():
            brings = {shelf: keys for shelf, keys in present.brings(plugin).items() if keys}
            self.stdout.write(f"  {plugin.name} {plugin.manifest.version} (contract {plugin.manifest.api})")
            for shelf, keys in brings.items():
                self.stdout.write(f"      {shelf.replace('_', ' ')}: {', '.join(keys)}")
        for one in present.left_out:
            self.stdout.write(self.style.ERROR(f"  not used: {described(one)}"))
        return len(present.left_out)

    def _check(self, present: PluginHost, with_side_effects: bool) -> int:
        faults = len(present.left_out)
        for one in present.left_out:
            self.stdout.write(self.style.ERROR(f"  FAULT  {described(one)}"))
        for plugin in present.plugins.values():
            kept = checking.conformance(present, plugin, with_side_effects=with_side_effects)
            faults += len(kept.failures)
            word = self.style.ERROR("FAULT") if kept.failures else "  ok "
            skipped = f", {kept.skipped} left out that act on the world" if kept.skipped else ""
            self.stdout.write(
                f"  {word}  {plugin.name} {plugin.manifest.version} (contract {plugin.manifest.api}): "
                f"{kept.run} checks{skipped}"
            )
            for failure in kept.failures:
                self.stdout.write(self.style.ERROR(f"         {failure}"))
        return faults + self._check_stored(present)

    def _check_stored(self, present: PluginHost) -> int:
        try:
            found = list(checking.stored(present))
        except DatabaseError as error:
            self.stdout.write(f"  Stored settings were not checked: {str(error).splitlines()[0]}")
            return 0
        for finding in found:
            word = self.style.ERROR("FAULT") if finding.is_fault else " note"
            self.stdout.write(f"  {word}  {finding.text}")
        return sum(1 for finding in found if finding.is_fault)
