"""Tolerances of mounted spectacle lenses after ISO 21987. See the README for what is confirmed and what is
not.
"""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, ToleranceStandard, hookimpl

from .standard import Iso21987Edition2009, Iso21987Edition2017

__all__ = ["Iso21987Edition2009", "Iso21987Edition2017", "plugin"]


class Iso21987Plugin:
    """Registers the two editions as separate standards."""

    manifest = PluginManifest(
        name="opticshop-iso21987",
        title="ISO 21987 tolerances",
        version="0.1.0",
        api=">=1.0,<2",
        description="Judges mounted spectacle lenses by the limits of ISO 21987, editions 2009 and 2017.",
    )

    @hookimpl
    def register_tolerance_standards(self) -> Sequence[ToleranceStandard]:
        return (Iso21987Edition2017(), Iso21987Edition2009())


plugin = Iso21987Plugin()
