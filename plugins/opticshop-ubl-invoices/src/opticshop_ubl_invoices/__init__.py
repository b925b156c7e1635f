"""Invoices and credit notes as UBL 2.1 documents under EN 16931."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from opticshop.plugin_api import InvoiceExporter, PluginManifest, hookimpl

from .exporter import UblInvoices

__all__ = ["UblInvoices", "plugin"]

_SCHEMA: dict[str, Any] = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "customization_id": {"type": "string", "minLength": 1, "title": "Specification identifier (BT-24)"},
        "profile_id": {"type": "string", "title": "Business process (BT-23); empty for none"},
        "iban": {
            "type": "string",
            "pattern": "^([A-Z]{2}[0-9]{2}[A-Z0-9]{10,30})?$",
            "title": "Account that transfers go to (BT-84); without it they are named without an account",
        },
    },
    "required": ["customization_id", "profile_id", "iban"],
}


class UblInvoicesPlugin:
    """Registers one exporter."""

    manifest = PluginManifest(
        name="opticshop-ubl-invoices",
        title="UBL invoices",
        version="0.1.0",
        api=">=1.0,<2",
        description="Invoices and credit notes as UBL 2.1, valid under EN 16931.",
        settings_schema=_SCHEMA,
        default_settings={"customization_id": "urn:cen.eu:en16931:2017", "profile_id": "", "iban": ""},
    )

    @hookimpl
    def register_invoice_exporters(self) -> Sequence[InvoiceExporter]:
        return (UblInvoices(),)


plugin = UblInvoicesPlugin()
