"""``plugins list``, ``plugins check`` and ``plugin_new``."""

from __future__ import annotations

import importlib
import io
import os
import subprocess
import sys
import tomllib

import pytest
from django.core.management import CommandError, call_command
from django.db import ProgrammingError

from opticshop.plugin_api import RecallPolicy, hookimpl
from opticshop.plugin_api.testing import conformance_checks
from opticshop.pluginhost import checking, manager
from opticshop.pluginhost.models import PluginActivation
from opticshop.pluginhost.scaffolding import SKELETONS
from opticshop.pluginhost.testing import offer_of, using_plugins
from tests.factories import BranchFactory
from tests.pluginhost.samples import (
    CalculatorPlugin,
    ChannelPlugin,
    Listener,
    RecallPlugin,
    StandardPlugin,
    StricterPlugin,
    manifest,
)


def run(*words: str, **options) -> str:
    out = io.StringIO()
    call_command(*words, stdout=out, no_color=True, **options)
    return out.getvalue()


class NoTitle(RecallPolicy):
    name = "untitled"

    def due_on(self, subject, settings=None):
        raise NotImplementedError


class Careless:
    manifest = manifest("careless")

    @hookimpl
    def register_recall_policies(self):
        return (NoTitle(),)


class GoodPlugin:
    manifest = manifest("good")
    heard: list[str] = []

    @hookimpl
    def on_event(self, event):
        self.heard.append(event.id)


@pytest.fixture
def sound_branch(db):
    return BranchFactory(
        code="MILL",
        tolerance_standard="house-1",
        uncut_standard="house-1",
        message_channel="pigeon",
        recall_policy="year",
    )


def test_a_list_says_what_each_plugin_brings_and_which_is_not_used():
    with using_plugins([CalculatorPlugin(), object()], allow_left_out=True):
        text = run("plugins", "list")
    assert "calc 1.2.3 (contract >=1.0,<2)" in text
    assert "calculators: prentice" in text
    assert "not used: object" in text


@pytest.mark.django_db
def test_a_check_of_sound_plugins_passes_and_says_how_much_it_checked():
    with using_plugins([GoodPlugin()]):
        text = run("plugins", "check")
    assert "ok   good 1.2.3 (contract >=1.0,<2): 2 checks, 1 left out that act on the world" in text


@pytest.mark.django_db
def test_what_acts_on_the_world_is_tried_on_request_only():
    plugin = GoodPlugin()
    plugin.heard = []
    with using_plugins([plugin]):
        run("plugins", "check")
        assert plugin.heard == []
        run("plugins", "check", "--with-side-effects")
    assert len(plugin.heard) == 2


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("plugin", "words"),
    [(object(), "object in a test"), (Careless(), "untitled needs a title")],
)
def test_a_check_exits_with_1_and_names_what_is_wrong(plugin, words):
    out = io.StringIO()
    with using_plugins([plugin], allow_left_out=True), pytest.raises(CommandError) as caught:
        call_command("plugins", "check", stdout=out, no_color=True)
    assert caught.value.returncode == 1
    assert "FAULT" in out.getvalue()
    assert words in out.getvalue()


def findings(*plugins) -> list[str]:
    host = manager.build(map(offer_of, plugins))
    return [f"{'fault' if one.is_fault else 'note'}: {one.text}" for one in checking.stored(host)]


def test_choices_of_branches_that_no_active_plugin_honours_are_faults(sound_branch):
    everything = (StandardPlugin(), ChannelPlugin(), RecallPlugin())
    assert findings(*everything) == []
    assert findings(StandardPlugin(), ChannelPlugin()) == [
        "fault: branch MILL: recall policy year is brought by no plugin"
    ]
    PluginActivation.objects.create(plugin="pigeons", branch=sound_branch, is_active=False)
    assert findings(*everything) == [
        "fault: branch MILL: message channel pigeon belongs to pigeons, which is switched off there"
    ]


def test_stored_settings_that_this_version_does_not_admit_are_faults(sound_branch):
    PluginActivation.objects.create(plugin="std-stricter", branch=sound_branch, settings={"strictness": 99})
    PluginActivation.objects.create(plugin="gone", branch=None)
    found = findings(StandardPlugin(), ChannelPlugin(), RecallPlugin(), StricterPlugin())
    assert found == [
        "note: gone: set up for the group, but not in use",
        "fault: std-stricter: the settings of branch MILL are not admitted: "
        "strictness: 99 is greater than the maximum of 9",
    ]


def test_a_check_works_without_a_database(monkeypatch):
    def no_table(host):
        raise ProgrammingError("relation does not exist\nLINE 1")

    monkeypatch.setattr(checking, "stored", no_table)
    with using_plugins([GoodPlugin()]):
        assert "Stored settings were not checked: relation does not exist" in run("plugins", "check")


@pytest.mark.parametrize("kind", SKELETONS)
def test_a_new_plugin_of_each_kind_works_and_keeps_the_contract(kind, tmp_path, monkeypatch):
    name = f"invented-{kind}-for-tests"
    text = run("plugin_new", name, "--kind", kind, "--into", str(tmp_path))
    home = tmp_path / name
    assert str(home) in text
    project = tomllib.loads((home / "pyproject.toml").read_text())
    module, _, attribute = project["project"]["entry-points"]["opticshop.plugins"][name].partition(":")
    monkeypatch.syspath_prepend(str(home / "src"))
    plugin = getattr(importlib.import_module(module), attribute)
    assert plugin.manifest.name == name
    checks = conformance_checks(plugin)
    for check in checks:
        check.run()
    with using_plugins([plugin]) as host:
        brought = host.brings(host.plugins[name])
    assert sum(len(keys) for keys in brought.values()) == 1
    texts = [path for path in home.rglob("*") if path.is_file() and path.suffix != ".pyc"]
    written = "".join(path.read_text(encoding="utf-8") for path in texts)
    assert "skeleton" not in written.lower()
    assert "pluginhost" not in written


def test_the_tests_of_a_new_plugin_pass_by_themselves(tmp_path):
    run("plugin_new", "invented-ledger-alone", "--kind", "ledger", "--into", str(tmp_path))
    home = tmp_path / "invented-ledger-alone"
    path = os.pathsep.join([str(home / "src"), *sys.path])
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", os.devnull, str(home / "tests")]
    done = subprocess.run(
        command, env={**os.environ, "PYTHONPATH": path}, cwd=home, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "6 passed" in done.stdout


@pytest.mark.parametrize("name", ["Acme", "acme_rules", "json", "class", "a" * 81, "opticshop", "../acme"])
def test_a_name_that_cannot_be_used_is_refused_and_nothing_written(name, tmp_path):
    with pytest.raises(CommandError):
        run("plugin_new", name, "--kind", "recall", "--into", str(tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_is_not_overwritten(tmp_path):
    (tmp_path / "invented-recalls").mkdir()
    with pytest.raises(CommandError, match="already there"):
        run("plugin_new", "invented-recalls", "--kind", "recall", "--into", str(tmp_path))


@pytest.mark.parametrize("kind", SKELETONS)
def test_each_skeleton_is_itself_a_sound_plugin(kind):
    plugin = importlib.import_module(f"opticshop.pluginhost.skeletons.{kind}.plugin").plugin
    for check in conformance_checks(plugin):
        check.run()


def test_a_listener_is_not_told_anything_by_building_a_host():
    listener = Listener()
    manager.build([offer_of(listener)])
    assert listener.heard == []
