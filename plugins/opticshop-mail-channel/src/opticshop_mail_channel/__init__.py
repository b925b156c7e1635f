"""A message channel that hands e-mail to a mail server over SMTP."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import MessageChannel, PluginManifest, hookimpl

from .channel import MailChannel
from .server import DEFAULTS, SCHEMA

__all__ = ["MailChannel", "plugin"]


class MailChannelPlugin:
    """Registers one channel."""

    manifest = PluginManifest(
        name="opticshop-mail-channel",
        title="E-mail",
        version="0.1.0",
        api=">=1.3,<2",
        description="Hands e-mail to a mail server over SMTP, each message once, with one-click unsubscribe.",
        settings_schema=SCHEMA,
        default_settings=DEFAULTS,
    )

    @hookimpl
    def register_channels(self) -> Sequence[MessageChannel]:
        return (MailChannel(),)


plugin = MailChannelPlugin()
