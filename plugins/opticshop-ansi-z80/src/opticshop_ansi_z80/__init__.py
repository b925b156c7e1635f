"""Tolerances of mounted spectacle lenses after ANSI Z80.1-2015. See the README for the readings chosen."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, ToleranceStandard, hookimpl

from .standard import AnsiZ801Edition2015

__all__ = ["AnsiZ801Edition2015", "plugin"]


class AnsiZ80Plugin:
    """Registers the 2015 edition."""

    manifest = PluginManifest(
        name="opticshop-ansi-z80",
        title="ANSI Z80.1 tolerances",
        version="0.1.0",
        api=">=1.0,<2",
        description="Judges mounted spectacle lenses by the limits of ANSI Z80.1-2015.",
    )

    @hookimpl
    def register_tolerance_standards(self) -> Sequence[ToleranceStandard]:
        return (AnsiZ801Edition2015(),)


plugin = AnsiZ80Plugin()
