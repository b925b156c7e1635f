"""A message channel that writes to a file or to the console instead of sending."""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

from opticshop.plugin_api import MessageChannel, MessageForm, PluginManifest, hookimpl

from .channel import ConsoleChannel

__all__ = ["ConsoleChannel", "plugin"]


class ConsoleMessagesPlugin:
    """Registers one channel."""

    manifest = PluginManifest(
        name="opticshop-console-messages",
        title="Console messages",
        version="0.1.0",
        api=">=1.1,<2",
        description="Writes messages to a file or to the console instead of sending them.",
        settings_schema={
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "type": "object",
            "additionalProperties": False,
            "properties": {
                "path": {
                    "title": "File",
                    "description": "File name below the messages directory; null for standard output.",
                    "type": ["string", "null"],
                    "minLength": 1,
                    "maxLength": 200,
                    "examples": ["north.jsonl"],
                },
                "form": {
                    "title": "Form that messages are written in",
                    "description": "To see what another kind of channel would be given.",
                    "enum": list(get_args(MessageForm)),
                },
            },
        },
        default_settings={"path": None, "form": "long"},
    )

    def __init__(self) -> None:
        self._channel = ConsoleChannel()

    @hookimpl
    def register_channels(self) -> Sequence[MessageChannel]:
        return (self._channel,)


plugin = ConsoleMessagesPlugin()
