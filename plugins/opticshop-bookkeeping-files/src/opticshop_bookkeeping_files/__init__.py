"""The journal as CSV and as plain-text accounting."""

from __future__ import annotations

from collections.abc import Sequence

from opticshop.plugin_api import LedgerExporter, PluginManifest, hookimpl

from .journal_csv import JournalCsv
from .plain_text import STANDALONE, PlainTextBooks

__all__ = ["JournalCsv", "PlainTextBooks", "plugin"]


class BookkeepingFilesPlugin:
    """Registers two exporters."""

    manifest = PluginManifest(
        name="opticshop-bookkeeping-files",
        title="Bookkeeping files",
        version="0.1.0",
        api=">=1.0,<2",
        description="Exports the journal as CSV or as plain-text accounting.",
        settings_schema={
            "type": "object",
            "additionalProperties": False,
            "properties": {
                STANDALONE: {
                    "type": "boolean",
                    "description": "Plain-text files open the accounts they use and end with their balances.",
                },
            },
        },
        default_settings={STANDALONE: True},
    )

    @hookimpl
    def register_ledger_exporters(self) -> Sequence[LedgerExporter]:
        return (JournalCsv(), PlainTextBooks())


plugin = BookkeepingFilesPlugin()
