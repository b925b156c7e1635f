"""The plugin keeps the contract."""

from __future__ import annotations

from opticshop_price_rules import plugin

from opticshop.plugin_api.testing import conformance

test_conformance = conformance(plugin)
