"""The conformance suite: what every plugin has to keep, run by its author in one line.

    # tests/test_acme_rules_conformance.py
    from acme_rules import plugin
    from opticshop.plugin_api.testing import conformance

    test_conformance = conformance(plugin)

or, to add tests of the same plugin beside it:

    class TestAcmeRules(PluginConformance):
        plugin = plugin

Each check is one test with a name such as "standard iso-21987-2017: an exact lens passes". The checks
themselves do not need pytest: `conformance_checks` lists them, so that an operator's command can run them
before an upgrade.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar

from ..tolerances import ToleranceStandard
from .checks import Check, ConformanceFailure, conformance_checks

__all__ = ["Check", "ConformanceFailure", "PluginConformance", "conformance", "conformance_checks"]


def conformance(
    plugin: Any,
    *,
    settings: Mapping[str, Any] | None = None,
    standards: Sequence[ToleranceStandard] = (),
    state: Callable[[], Any] | None = None,
) -> Callable[[Check], None]:
    """A test function with one case for each check.

    `settings` overlay the plugin's defaults; `standards` are others that a standard of the plugin builds on;
    `state` returns what the plugin keeps, compared after the first and the second delivery of an event.
    """
    import pytest

    checks = conformance_checks(plugin, settings=settings, standards=standards, state=state)

    @pytest.mark.parametrize("check", checks, ids=[check.name for check in checks])
    def test_plugin_keeps_the_contract(check: Check) -> None:
        check.run()

    return test_plugin_keeps_the_contract


class PluginConformance:
    """Subclass it with a name that begins with `Test` and set `plugin`; the other attributes as in
    `conformance`."""

    plugin: ClassVar[Any]
    settings: ClassVar[Mapping[str, Any] | None] = None
    standards: ClassVar[Sequence[ToleranceStandard]] = ()
    state: ClassVar[Callable[[], Any] | None] = None

    @classmethod
    def pytest_generate_tests(cls, metafunc: Any) -> None:
        if "check" in metafunc.fixturenames:
            checks = conformance_checks(cls.plugin, settings=cls.settings, standards=cls.standards, state=cls.state)
            metafunc.parametrize("check", checks, ids=[check.name for check in checks])

    def test_keeps_the_contract(self, check: Check) -> None:
        check.run()
