"""The code of docs/writing-a-plugin.md is a plugin that keeps the contract."""

from __future__ import annotations

import re
import sys
import types
from pathlib import Path

import pytest

from opticshop.plugin_api.testing import conformance_checks
from opticshop.pluginhost.testing import using_plugins

WALK = Path(__file__).resolve().parents[2] / "docs" / "writing-a-plugin.md"


@pytest.fixture
def walked(monkeypatch):
    code, tests = re.findall(r"^```python\n(.*?)^```", WALK.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    module = types.ModuleType("reading_distance")
    monkeypatch.setitem(sys.modules, "reading_distance", module)
    exec(compile(code, str(WALK), "exec"), module.__dict__)
    return module, tests


def test_the_plugin_of_the_walk_keeps_the_contract_and_its_tests_pass(walked):
    module, tests = walked
    for check in conformance_checks(module.plugin):
        check.run()
    space: dict[str, object] = {}
    exec(compile(tests, str(WALK), "exec"), space)
    space["test_a_strong_addition_is_questioned"]()
    with using_plugins([module.plugin]) as host:
        assert "reading-distance" in host.shelves.calculators
