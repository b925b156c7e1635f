"""Tolerances of uncut finished spectacle lenses after ISO 8980-1 and 8980-2. See the README for what is
confirmed.
"""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, ToleranceStandard, hookimpl

from .standard import Iso8980, Iso8980Part1, Iso8980Part2

__all__ = ["Iso8980", "Iso8980Part1", "Iso8980Part2", "plugin"]


class Iso8980Plugin:
    """Registers both parts, and the two together."""

    manifest = PluginManifest(
        name="opticshop-iso8980",
        title="ISO 8980 tolerances",
        version="0.1.0",
        api=">=1.0,<2",
        description="Judges uncut finished spectacle lenses by the limits of ISO 8980-1 and 8980-2.",
    )

    @hookimpl
    def register_tolerance_standards(self) -> Sequence[ToleranceStandard]:
        return (Iso8980(), Iso8980Part1(), Iso8980Part2())


plugin = Iso8980Plugin()
