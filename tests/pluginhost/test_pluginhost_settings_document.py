"""The settings of every plugin are in the OpenAPI document, with the schema that its manifest declares."""

from __future__ import annotations

from opticshop.pluginhost.manager import host
from tests.whole_document import document


def test_each_plugins_settings_schema_is_documented():
    schemas = document()["components"]["schemas"]
    written = {
        ref["$ref"].rsplit("/", 1)[1] for ref in schemas["ActivationSetInRequest"]["properties"]["settings"]["anyOf"]
    }
    assert len(written) == len(host().plugins) >= 7
    console = schemas["SettingsOfOpticshopConsoleMessages"]
    assert console["properties"]["path"]["maxLength"] == 200
    assert console["additionalProperties"] is False
