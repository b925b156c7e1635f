"""A tolerance standard of the house: stricter than a published one, never looser."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import PluginManifest, ToleranceStandard, hookimpl

from .settings import DEFAULT_SETTINGS, SETTINGS_SCHEMA
from .standard import HouseStandard

__all__ = ["HouseStandard", "plugin"]


class HouseStandardPlugin:
    """Registers one standard, whose base and limits each branch sets."""

    manifest = PluginManifest(
        name="opticshop-house-standard",
        title="House standard",
        version="0.1.0",
        api=">=1.0,<2",
        description="Judges by a published standard with limits that a branch may tighten, never loosen.",
        settings_schema=SETTINGS_SCHEMA,
        default_settings=DEFAULT_SETTINGS,
    )

    @hookimpl
    def register_tolerance_standards(self) -> Sequence[ToleranceStandard]:
        return (HouseStandard(),)


plugin = HouseStandardPlugin()
