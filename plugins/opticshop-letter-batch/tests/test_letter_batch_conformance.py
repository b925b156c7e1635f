"""The plugin keeps the contract, for letters and for postcards."""

from __future__ import annotations

from opticshop_letter_batch import plugin

from opticshop.plugin_api.testing import conformance

test_conformance = conformance(plugin)
test_conformance_of_postcards = conformance(plugin, settings={"form": "postcard"})
