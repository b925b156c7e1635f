"""The contract itself: documented hooks, exported names, frozen facts, manifests."""

from __future__ import annotations

import ast
import dataclasses
import inspect
import json
import subprocess
import sys
from datetime import UTC, date, datetime
from decimal import Decimal
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import pluggy
import pytest

import opticshop.plugin_api as api
from opticshop.plugin_api import hookspecs

ROOT = Path(api.__file__).parents[2]
HOOKS = (*api.REGISTER_HOOKS, *api.DECIDE_HOOKS, *api.NOTIFY_HOOKS)
OUR_PLUGINS = sorted(path.name for path in (ROOT / "plugins").iterdir() if (path / "pyproject.toml").exists())


@pytest.mark.parametrize("hook", HOOKS)
def test_each_hook_says_when_what_in_which_order_and_what_an_exception_does(hook: str) -> None:
    text = inspect.getdoc(getattr(hookspecs, hook)) or ""
    for part in ("When:", "Returns:" if hook != "on_event" else "Returns: nothing", "Order:", "Exception:"):
        assert part in text, f"{hook} does not say {part}"
    assert "transaction" in text


def test_the_families_are_all_the_hooks_there_are() -> None:
    manager = api.new_plugin_manager()
    marked = {name for name in vars(hookspecs) if hasattr(getattr(hookspecs, name), "opticshop_spec")}
    assert marked == set(HOOKS)
    assert marked == {name for name in vars(manager.hook) if not name.startswith("_")}


def test_all_names_are_exported_and_described() -> None:
    for name in api.__all__:
        thing = getattr(api, name)
        if inspect.isclass(thing) or inspect.isfunction(thing):
            assert inspect.getdoc(thing), f"{name} has no docstring"


def test_the_contract_imports_no_web_framework() -> None:
    code = (
        "import sys, opticshop.plugin_api, opticshop.plugin_api.tolerance_kit, opticshop.plugin_api.testing\n"
        "found = {'django', 'rest_framework', 'celery', 'pytest'} & set(sys.modules)\n"
        "sys.exit(str(found) if found else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("folder", OUR_PLUGINS)
def test_a_plugin_imports_nothing_of_the_service_but_the_contract_and_the_optics(folder: str) -> None:
    for path in (ROOT / "plugins" / folder / "src").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            for name in names:
                inside = name.split(".")
                allowed = inside[0] != "opticshop" or inside[1:2] in (["plugin_api"], ["optics"])
                assert allowed, f"{path} imports {name}"
                assert not inside[0].startswith("opticshop_") or inside[0] == folder.replace("-", "_")


def test_entry_points_name_plugins_whose_manifest_has_the_same_name() -> None:
    found = {point.name: point for point in entry_points(group=api.ENTRY_POINT_GROUP)}
    assert {"opticshop-iso21987", "opticshop-ansi-z80", "opticshop-iso8980"} <= set(found)
    for name, point in found.items():
        if name.startswith("opticshop-"):
            assert point.load().manifest.name == name


def test_the_example_in_the_overview_runs() -> None:
    text = inspect.getdoc(api) or ""
    block = text.split("# acme_rules/__init__.py\n")[1].split("\nand one line of tests")[0]
    namespace: dict[str, Any] = {}
    exec(inspect.cleandoc(block), namespace)
    manager = api.new_plugin_manager()
    manager.register(namespace["plugin"])
    manager.check_pending()
    draft = dataclasses.replace(_handover(), age_on_day=9)
    with pytest.raises(api.Refusal) as refusal:
        manager.hook.decide_handover(order=draft, settings={})
    assert (refusal.value.code, refusal.value.field) == ("acme-rules.child", "supervised_by")
    manager.hook.decide_handover(order=dataclasses.replace(draft, supervised_by="registrant-1"), settings={})
    manager.hook.decide_handover(order=dataclasses.replace(draft, age_on_day=16), settings={})


def _handover() -> api.HandoverDraft:
    return api.HandoverDraft(
        order_id="o",
        branch_code="north",
        customer_id="c",
        handed_over_on=date(2024, 5, 6),
        age_on_day=40,
        lens_kind="single_vision",
        right=None,
        left=None,
        currency="GBP",
        balance_due=Decimal("0.00"),
    )


def manifest(**changes: Any) -> api.PluginManifest:
    values: dict[str, Any] = {
        "name": "acme-rules",
        "title": "Acme rules",
        "version": "1.0",
        "api": ">=1.0,<2",
        "description": "Rules.",
    }
    return api.PluginManifest(**(values | changes))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": "Acme"}, "name"),
        ({"name": "acme_rules"}, "name"),
        ({"name": "acme--rules"}, "name"),
        ({"name": ""}, "name"),
        ({"title": " "}, "title"),
        ({"version": "one"}, "version"),
        ({"api": "1.0"}, "api"),
        ({"settings_schema": {"type": "nonsense"}}, "settings_schema"),
        ({"settings_schema": {"type": "array"}}, "settings_schema"),
        (
            {"settings_schema": {"type": "object", "properties": {"a": {"$ref": "https://example.org/a"}}}},
            "settings_schema",
        ),
        ({"default_settings": {"a": 1}}, "default_settings"),
    ],
)
def test_a_manifest_that_cannot_be_read_is_refused(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(api.InvalidManifest) as error:
        manifest(**changes)
    assert error.value.field == field
    assert error.value.code == "plugins.invalid_manifest"


def test_settings_are_defaults_overlaid_with_the_branch_s_own_and_never_shared() -> None:
    schema = {
        "type": "object",
        "additionalProperties": False,
        "properties": {"a": {"type": "integer"}, "b": {"$ref": "#/$defs/list"}},
        "$defs": {"list": {"type": "array", "items": {"type": "string"}}},
    }
    defaults = {"a": 1, "b": ["x"]}
    one = manifest(settings_schema=schema, default_settings=defaults)
    defaults["b"].append("changed later")  # type: ignore[attr-defined]
    first = one.settings_with({"a": 2})
    first["b"].append("mine")
    assert one.settings_with({}) == {"a": 1, "b": ["x"]}
    with pytest.raises(api.InvalidSettings) as error:
        one.settings_with({"a": "two", "c": 1})
    assert len(error.value.problems) == 2


@pytest.mark.parametrize(
    ("specifier", "admitted"),
    [
        (">=1.0,<2", True),
        ("==1.*", True),
        ("~=1.0", True),
        (">=1.1", True),
        (">=2", False),
        ("<1.1", False),
        (">=1.4", False),
    ],
)
def test_the_api_specifier_decides_compatibility(specifier: str, admitted: bool) -> None:
    assert manifest(api=specifier).is_compatible is admitted


def test_a_hook_with_a_parameter_that_is_not_in_the_contract_is_refused() -> None:
    class Plugin:
        @api.hookimpl
        def decide_handover(self, order: api.HandoverDraft, request: object) -> None: ...

    with pytest.raises(pluggy.PluginValidationError):
        api.new_plugin_manager().register(Plugin())


def test_facts_are_frozen_and_json_ready() -> None:
    draft = _handover()
    with pytest.raises(dataclasses.FrozenInstanceError):
        draft.order_id = "other"  # type: ignore[misc]
    assert json.loads(json.dumps(draft.to_dict()))["balance_due"] == "0.00"
    lens = api.LensValues.of(sphere_dpt="-2.00", cylinder_dpt=0)
    assert lens.to_dict()["sphere_dpt"] == "-2.00"
    event = api.Event(
        id="e",
        type="orders.placed",
        source="/s",
        subject="o",
        occurred_at=datetime(2024, 5, 6, tzinfo=UTC),
        branch_code=None,
        data={"n": 1, "tags": ("a",)},
    )
    assert event.to_dict()["occurred_at"] == "2024-05-06T00:00:00+00:00"


@pytest.mark.parametrize(
    ("build", "field"),
    [
        (lambda: api.LensValues.of(sphere_dpt=0, cylinder_dpt=-1), "axis_deg"),
        (lambda: api.LensValues.of(sphere_dpt=0, axis_deg=181), "axis_deg"),
        (lambda: api.LensValues.of(cylinder_dpt=0), "sphere_dpt"),
        (lambda: api.LensValues(sphere_dpt=0.1), "sphere_dpt"),  # type: ignore[arg-type]
        (lambda: api.LensValues.of(sphere_dpt="NaN"), "sphere_dpt"),
        (lambda: api.Uncertainty.of(power_dpt="-0.01"), "power_dpt"),
        (lambda: api.InspectionRequest(lens_kind="single_vision"), "right"),
        (lambda: api.EyeInspection(ordered=api.LensValues(), measured=api.LensValues()), "sphere_dpt"),
        (lambda: api.JournalLine(account="1", debit=Decimal(1), credit=Decimal(1)), "debit"),
        (lambda: api.JournalLine(account="1"), "debit"),
        (
            lambda: api.PriceAdjustment(line_index=None, amount=1.5, reason="r", rule="r"),  # type: ignore[arg-type]
            "amount",
        ),
        (
            lambda: api.RecallSubject(date_of_birth=None, issued_on=date(2024, 1, 1), prescriber_interval_months=0),
            "prescriber_interval_months",
        ),
        (
            lambda: api.Event(
                id="e",
                type="t",
                source="s",
                subject="s",
                occurred_at=datetime(2024, 1, 1),  # noqa: DTZ001
                branch_code=None,
                data={},
            ),
            "occurred_at",
        ),
    ],
)
def test_facts_that_cannot_be_are_refused_where_they_are_built(build: Any, field: str) -> None:
    with pytest.raises(api.InvalidFacts) as error:
        build()
    assert error.value.field == field


def test_an_unbalanced_entry_is_refused() -> None:
    lines = (
        api.JournalLine(account="1", debit=Decimal("1.00")),
        api.JournalLine(account="2", credit=Decimal("0.99")),
    )
    with pytest.raises(api.InvalidFacts, match=r"out of balance by 0\.01"):
        api.JournalEntry(
            id="e",
            number="1",
            booked_on=date(2024, 1, 1),
            branch_code="n",
            currency="GBP",
            description="d",
            lines=lines,
        )
