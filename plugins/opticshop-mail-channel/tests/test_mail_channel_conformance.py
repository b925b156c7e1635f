"""The plugin keeps the contract, before it is set up and with a mail server."""

from __future__ import annotations

from opticshop_mail_channel import plugin

from opticshop.plugin_api.testing import conformance

test_conformance = conformance(plugin)
