"""A message channel that makes one PDF of many letters or postcards, to be printed and posted by a person."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import MessageChannel, PluginManifest, hookimpl

from .channel import DEFAULTS, SCHEMA, LetterBatch

__all__ = ["LetterBatch", "plugin"]


class LetterBatchPlugin:
    """Registers one channel."""

    manifest = PluginManifest(
        name="opticshop-letter-batch",
        title="Letters in batches",
        version="0.1.0",
        api=">=1.1,<2",
        description="One PDF of many letters for window envelopes, or of postcards, with a cover sheet.",
        settings_schema=SCHEMA,
        default_settings=DEFAULTS,
    )

    @hookimpl
    def register_channels(self) -> Sequence[MessageChannel]:
        return (LetterBatch(),)


plugin = LetterBatchPlugin()
