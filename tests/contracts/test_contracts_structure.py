"""The structure that imports cannot show: foreign keys, permissions, scoping."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from django.apps import apps
from django.urls import get_resolver

from opticshop.config.access import OAUTH_SCOPES, PERMISSION_ENUMS, ROLE_TABLE, TABLE
from opticshop.core.api import ApiViewSet
from opticshop.core.errors import all_errors

ROOT = Path(__file__).resolve().parents[2] / "opticshop"

#: Highest floor first; a foreign key may point to its own floor's app or to a lower floor.
FLOORS = [
    {"reports"},
    {"privacy"},
    {"alerts", "reminders", "integrations", "exchange", "imports"},
    {"quality", "replenishment"},
    {"workshop", "billing", "purchasing", "appointments"},
    {"orders"},
    {"prices"},
    {"stock", "prescriptions", "instruments", "correspondence"},
    {"customers", "catalogue", "ledger"},
    {"pluginhost"},
    {"accounts"},
    {"branches"},
    {"audit"},
    {"core"},
]
FLOOR_OF = {label: depth for depth, labels in enumerate(FLOORS) for label in labels}


def our_models():
    return [model for model in apps.get_models() if model._meta.app_label in FLOOR_OF]


def test_every_foreign_key_points_down_the_floors():
    upward = []
    for model in our_models():
        for field in model._meta.get_fields():
            if not field.is_relation or field.auto_created or field.related_model is None:
                continue
            there = field.related_model._meta.app_label
            if there not in FLOOR_OF:
                continue  # Django's own tables
            here = model._meta.app_label
            if there != here and FLOOR_OF[there] <= FLOOR_OF[here]:
                upward.append(f"{model.__name__}.{field.name} -> {there}")
    assert not upward


def test_every_permission_is_in_the_table_and_nothing_else_is():
    declared = {member for enum in PERMISSION_ENUMS for member in enum}
    assert set(TABLE) == declared
    assert all(roles for roles in TABLE.values()), "a permission nobody holds is dead"
    assert {str(p) for grants in ROLE_TABLE.values() for p in grants} == {str(p) for p in declared}


def test_every_permission_has_a_scope():
    for permission in TABLE:
        area, verb = str(permission).split(".", 1)
        assert f"{area}:{'read' if verb == 'view' else 'write'}" in OAUTH_SCOPES


def viewsets():
    found = {}

    def walk(patterns):
        for pattern in patterns:
            if hasattr(pattern, "url_patterns"):
                walk(pattern.url_patterns)
            elif hasattr(pattern.callback, "cls") and issubclass(pattern.callback.cls, ApiViewSet):
                found[pattern.callback.cls] = None

    walk(get_resolver().url_patterns)
    return list(found)


def test_every_endpoint_declares_a_permission_for_every_action_it_offers():
    known = {str(permission) for permission in TABLE} | {"signed-in"}
    assert len(viewsets()) > 15
    for viewset in viewsets():
        assert viewset.permissions, viewset
        for action, permission in viewset.permissions.items():
            assert hasattr(viewset, action), f"{viewset.__name__} declares {action} but has none"
            assert str(permission) in known


def test_error_codes_are_unique_and_documented():
    seen: dict[str, type] = {}
    for kind in all_errors():
        assert kind.code not in seen or seen[kind.code] is kind, f"{kind} and {seen.get(kind.code)} share {kind.code}"
        seen[kind.code] = kind
        assert kind.title
        assert 400 <= kind.status < 600
        if not kind.__module__.startswith("opticshop.core"):
            assert (kind.__doc__ or "").strip(), f"{kind.__name__} needs a docstring: it is its documentation page"


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_no_app_reads_past_the_branch_scope(path):
    """``.unscoped`` is Django's own way in (related objects, refresh); application code says .everywhere(reason)."""
    if path.match("core/scoping.py") or "migrations" in path.parts:
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and node.attr in {"unscoped", "_base_manager", "_default_manager"}:
            if path.match("core/api.py") or path.match("core/fetching.py"):
                continue
            pytest.fail(f"{path}:{node.lineno} uses .{node.attr}")
