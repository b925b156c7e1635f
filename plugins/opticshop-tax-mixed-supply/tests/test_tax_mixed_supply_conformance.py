"""The plugin keeps the contract, by either method."""

from __future__ import annotations

from opticshop_tax_mixed_supply import plugin

from opticshop.plugin_api.testing import conformance

RATIO = {
    "valid_from": "2024-01-01",
    "exempt_percent": 42.5,
    "evidence": "invented",
    "source": "invented",
    "confidence": "convention",
}

test_separate_charges = conformance(plugin)
test_separate_charges_supervised = conformance(plugin, settings={"always_supervised": True})
test_apportionment = conformance(
    plugin, settings={"method": "apportionment", "registered_business": True, "ratios": [RATIO]}
)
