"""A message channel that hands text messages to a gateway over HTTPS and takes its signed calls."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import MessageChannel, PluginManifest, hookimpl

from .channel import TextGateway
from .gateway import DEFAULTS, SCHEMA

__all__ = ["TextGateway", "plugin"]


class TextGatewayPlugin:
    """Registers one channel."""

    manifest = PluginManifest(
        name="opticshop-text-gateway",
        title="Text messages through a gateway",
        version="0.1.0",
        api=">=1.1,<2",
        description="Hands text messages to a gateway over HTTPS; takes its signed delivery reports and replies.",
        settings_schema=SCHEMA,
        default_settings=DEFAULTS,
    )

    @hookimpl
    def register_channels(self) -> Sequence[MessageChannel]:
        return (TextGateway(),)


plugin = TextGatewayPlugin()
