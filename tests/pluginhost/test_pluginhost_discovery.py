"""Which plugins are used, which are left out and why; the rest works."""

from __future__ import annotations

import sys
from importlib.metadata import EntryPoint, distributions
from typing import Any

import pytest
from django.test import override_settings

from opticshop.plugin_api import PluginManifest, hookimpl
from opticshop.pluginhost import discovery, manager, starting
from opticshop.pluginhost.discovery import Offer
from opticshop.pluginhost.testing import offer_of, using_plugins
from tests.pluginhost.samples import CalculatorPlugin, Gate, Listener, Prentice, StandardPlugin, manifest


def broken(text: str) -> Any:
    raise RuntimeError(text)


def left_out(*offers: Offer) -> dict[str, tuple[str, str]]:
    """Builds a host with one healthy neighbour beside the offers, and says what was left out."""
    host = manager.build([*offers, offer_of(StandardPlugin())])
    assert "std" in host.plugins
    assert "house-1" in host.shelves.tolerance_standards
    return {one.name: (one.problem, one.reason) for one in host.left_out}


def bare(**marks: Any) -> Any:
    return type("Bare", (), {"manifest": manifest("bare"), **marks})()


def test_a_plugin_that_cannot_be_imported_is_named_and_left_out():
    found = left_out(Offer("acme", lambda: broken("no such thing")))
    assert found == {"acme": ("import", "RuntimeError: no such thing")}


def test_a_plugin_that_ends_the_process_on_import_is_left_out():
    assert left_out(Offer("acme", lambda: sys.exit(3)))["acme"] == ("import", "SystemExit: 3")


def test_an_entry_point_to_a_module_that_is_not_there_is_left_out():
    point = EntryPoint("acme", "no_such_module_anywhere:plugin", "opticshop.plugins")
    problem, reason = left_out(Offer("acme", point.load))["acme"]
    assert problem == "import"
    assert "no_such_module_anywhere" in reason


@pytest.mark.parametrize(
    ("load", "problem", "words"),
    [
        (lambda: object(), "manifest", "no `manifest`"),
        (lambda: CalculatorPlugin, "manifest", "names the class CalculatorPlugin"),
        (lambda: bare(manifest=manifest("Bad Name")), "manifest", "kebab-case"),
        (lambda: bare(manifest=manifest("x" * 81)), "manifest", "longer than 80"),
        (lambda: bare(manifest=manifest("bare", api=">=2")), "api", "version 1.3 of the plugin contract"),
        (lambda: bare(manifest=manifest("bare", default_settings={"a": 1})), "settings", "default"),
        (lambda: bare(), "hooks", "implements no hook"),
        (lambda: bare(decide_nothing=hookimpl(lambda self: None)), "hooks", "decide_nothing"),
        (lambda: bare(on_event=hookimpl(lambda self, colour: None)), "hooks", "colour"),
    ],
)
def test_a_plugin_that_does_not_keep_the_contract_is_left_out(load, problem, words):
    ((found, reason),) = left_out(Offer("acme", load)).values()
    assert found == problem
    assert words in reason


def test_a_wrapper_is_not_an_implementation():
    class Wrapping:
        manifest = manifest("wrapping")

        @hookimpl(wrapper=True)
        def on_event(self, event):
            return (yield)

    assert left_out(offer_of(Wrapping()))["wrapping"][0] == "hooks"


def test_an_unhashable_plugin_does_not_break_the_others():
    class Unhashable(Listener):
        __hash__ = None

    assert left_out(offer_of(Unhashable()))["listener"][0] == "hooks"


def test_of_two_plugins_of_one_name_the_first_stays():
    first, second = Listener("twin"), Listener("twin")
    host = manager.build([Offer("a", lambda: first, "dist-a 1"), Offer("b", lambda: second, "dist-b 1")])
    assert host.plugins["twin"].implementation is first
    (one,) = host.left_out
    assert (one.name, one.problem, one.distribution) == ("twin", "duplicate", "dist-b 1")
    assert "dist-a 1" in one.reason


@pytest.mark.parametrize(
    ("answer", "problem", "words"),
    [
        (lambda: broken("out of chalk"), "registration", "out of chalk"),
        (lambda: "prentice", "registration", "not a sequence"),
        (lambda: {"prentice": 1}, "registration", "not a sequence"),
        (lambda: [Prentice], "registration", "Prentice"),
        (lambda: [object()], "registration", "object"),
        (lambda: [type("Odd", (Prentice,), {"name": "Odd One"})()], "registration", "kebab-case"),
        (lambda: [type("Odd", (Prentice,), {"Inputs": int})()], "registration", "has no Inputs"),
        (lambda: [Prentice(), Prentice()], "duplicate", "two calculators called prentice"),
    ],
)
def test_a_plugin_that_registers_nonsense_is_left_out_whole(answer, problem, words):
    plugin = bare(register_calculators=hookimpl(lambda self: answer()))
    found, reason = left_out(offer_of(plugin))["bare"]
    assert found == problem
    assert words in reason


def test_a_key_that_another_plugin_brings_leaves_the_later_plugin_out_whole():
    class Copycat(CalculatorPlugin, Listener):
        def __init__(self):
            CalculatorPlugin.__init__(self)
            Listener.__init__(self, "copycat")

    host = manager.build([offer_of(Copycat()), offer_of(CalculatorPlugin())])
    assert [one.name for one in host.left_out] == ["copycat"]
    assert "already brought by calc" in host.left_out[0].reason
    assert host.implementing("on_event") == []


def test_plugins_are_asked_in_the_order_of_their_names_whatever_the_order_of_installation():
    heard: list[str] = []
    names = ["zeta", "alpha", "mid"]
    gates = [Gate(name, lambda order, name=name: heard.append(name)) for name in names]
    for offers in (gates, gates[::-1]):
        host = manager.build(map(offer_of, offers))
        assert [plugin.name for plugin in host.implementing("decide_handover")] == sorted(names)


def test_strict_refuses_the_start_and_says_every_reason():
    host = manager.build([Offer("acme", lambda: broken("no such thing")), Offer("brio", lambda: object())])
    with pytest.raises(starting.PluginsLeftOut, match=r"acme.*no such thing.*brio.*manifest"):
        starting.start(host, strict=True)


def test_without_strict_a_broken_plugin_is_a_warning_of_the_system_check():
    with using_plugins([object()], allow_left_out=True):
        (warning,) = starting.check_plugins()
        assert warning.id == "pluginhost.W001"
        assert "object [object in a test] (manifest)" in warning.msg
    with using_plugins([StandardPlugin()]):
        assert starting.check_plugins() == []


def test_the_plugins_command_may_start_in_strict_mode_and_nothing_else(monkeypatch):
    with using_plugins([object()], allow_left_out=True), override_settings(OPTICSHOP_PLUGINS_STRICT=True):
        monkeypatch.setattr(sys, "argv", ["manage.py", "plugins", "check"])
        starting.start_installed()
        monkeypatch.setattr(sys, "argv", ["manage.py", "runserver"])
        with pytest.raises(starting.PluginsLeftOut):
            starting.start_installed()


def test_a_broken_distribution_on_the_path_is_found_by_its_entry_point_and_left_out(tmp_path, monkeypatch):
    info = tmp_path / "acme_rules-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: acme-rules\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[opticshop.plugins]\nacme-rules = acme_rules_for_tests:plugin\n")
    (tmp_path / "acme_rules_for_tests.py").write_text("import a_helper_that_this_release_does_not_offer\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    assert any(dist.name == "acme-rules" for dist in distributions())
    with override_settings(OPTICSHOP_PLUGINS_ONLY=["acme-rules"]):
        (offer,) = discovery.installed_offers()
        assert offer.distribution == "acme-rules 1.0"
        assert "a_helper_that_this_release" in left_out(offer)["acme-rules"][1]
    with override_settings(OPTICSHOP_PLUGINS_ONLY=[]):
        assert discovery.installed_offers() == []


def test_a_manifest_with_a_bad_schema_cannot_be_made_so_the_import_names_it():
    def load() -> Any:
        return bare(manifest=PluginManifest(**{**_DETAILS, "settings_schema": {"type": "no such type"}}))

    assert left_out(Offer("acme", load))["acme"][0] == "manifest"


_DETAILS = {"name": "acme", "title": "Acme", "version": "1", "api": ">=1", "description": "x"}
