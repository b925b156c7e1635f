"""The plugin keeps the contract, before it is set up and with a gateway."""

from __future__ import annotations

from opticshop_text_gateway import plugin

from opticshop.plugin_api.testing import conformance

test_conformance = conformance(plugin)
