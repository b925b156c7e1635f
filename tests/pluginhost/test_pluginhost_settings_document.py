"""The settings of every plugin are in the OpenAPI document, with the schema that its manifest declares."""

from __future__ import annotations

from drf_spectacular.generators import SchemaGenerator
from openapi_spec_validator import validate

from opticshop.pluginhost.manager import host


def test_each_plugins_settings_schema_is_documented():
    document = SchemaGenerator().get_schema(request=None, public=True)
    validate(document)
    schemas = document["components"]["schemas"]
    written = {
        ref["$ref"].rsplit("/", 1)[1] for ref in schemas["ActivationSetInRequest"]["properties"]["settings"]["anyOf"]
    }
    assert len(written) == len(host().plugins) >= 7
    console = schemas["SettingsOfOpticshopConsoleMessages"]
    assert console["properties"]["path"]["maxLength"] == 200
    assert console["additionalProperties"] is False
