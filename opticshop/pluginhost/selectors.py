"""Reads of plugins and of what they bring, limited to what is active where the actor works."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from django.db.models import Q, QuerySet

from opticshop.branches.models import Branch
from opticshop.core.actor import ALL, Actor
from opticshop.core.errors import NotFound
from opticshop.plugin_api import Calculator, ToleranceStandard

from .activation import Activations, SettingsProblem, secret_names
from .discovery import LeftOut, Plugin
from .manager import host
from .models import PluginActivation
from .permissions import CalculatorPermission, PluginPermission
from .registry import Brought


@dataclass(frozen=True, slots=True)
class ActivationView:
    """What was decided about a plugin at one place, and what holds there in effect. Secrets are only named."""

    plugin: str
    branch: Branch | None
    version: int
    is_active: bool | None
    settings: Mapping[str, Any]
    secrets_set: list[str]
    effective_is_active: bool
    effective_settings: Mapping[str, Any]
    problems: list[SettingsProblem] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class PluginView:
    """A plugin as people see it: what it says of itself, whether it works, what it brings, where it is active."""

    name: str
    title: str
    version: str
    api: str
    description: str
    distribution: str
    state: Literal["active", "off", "failed", "left_out"]
    problem: str | None
    reason: str
    brings: Mapping[str, list[str]]
    settings_schema: Mapping[str, Any]
    default_settings: Mapping[str, Any]
    activations: list[ActivationView] = field(default_factory=list)


def activations_visible_to(actor: Actor) -> QuerySet[PluginActivation]:
    """The rows of the group, and those of the branches where the actor may see plugins."""
    where = actor.where(PluginPermission.VIEW)
    rows = PluginActivation.objects.select_related("branch").order_by("plugin", "id")
    return rows if where is ALL else rows.filter(Q(branch=None) | Q(branch__in=where))


def plugins_for(actor: Actor) -> list[PluginView]:
    """Every plugin that is installed, healthy or not, by name."""
    rows = list(activations_visible_to(actor))
    activations = Activations(rows)
    found = [_healthy(plugin, activations, rows) for plugin in host().plugins.values()]
    found += [_unhealthy(one) for one in host().left_out]
    return sorted(found, key=lambda view: (view.name, view.state in {"failed", "left_out"}, view.distribution))


def plugin_get_for(actor: Actor, name: str) -> PluginView:
    """One plugin by name; of two that claim the name, the one in use."""
    for view in plugins_for(actor):
        if view.name == name:
            return view
    raise NotFound(f"There is no plugin {name} here.")


def plugin_usable(name: str) -> Plugin:
    """A healthy plugin by name, for setting it up. Raises NotFound."""
    if name not in host().plugins:
        raise NotFound(f"There is no plugin {name} in use here.")
    return host().plugins[name]


def activation_for(plugin: Plugin, branch: Branch | None) -> ActivationView:
    """What is decided and what holds at a place; the caller has authorized the branch."""
    return _activation(plugin, branch, Activations.at(branch.id if branch else None))


def calculators_for(
    actor: Actor, *, permission: str = CalculatorPermission.VIEW
) -> list[Brought[Calculator[Any, Any]]]:
    """Calculators whose plugin is active for the group or in one of the actor's branches, by topic and name."""
    activations, where = Activations.everywhere(), actor.where(permission)
    shelf = host().shelves.calculators
    found = [brought for brought in shelf.values() if activations.is_active_within(brought.plugin, where)]
    return sorted(found, key=lambda brought: (brought.thing.topic, brought.key))


def calculator_get_for(
    actor: Actor, name: str, *, permission: str = CalculatorPermission.VIEW
) -> Brought[Calculator[Any, Any]]:
    for brought in calculators_for(actor, permission=permission):
        if brought.key == name:
            return brought
    raise NotFound(f"There is no calculator {name} here.")


def standards_at(branch: Branch | None) -> list[Brought[ToleranceStandard]]:
    """Standards active at a branch (which the caller has authorized), or, without one, for the group."""
    place = branch.id if branch else None
    activations = Activations.at(place)
    shelf = host().shelves.tolerance_standards
    return [brought for brought in shelf.values() if activations.is_active(brought.plugin, place)]


def standard_get(key: str, branch: Branch | None) -> Brought[ToleranceStandard]:
    for brought in standards_at(branch):
        if brought.key == key:
            return brought
    raise NotFound(f"There is no tolerance standard {key} here.")


def _activation(plugin: Plugin, branch: Branch | None, activations: Activations) -> ActivationView:
    place = branch.id if branch else None
    row, standing, secrets = (
        activations.row(plugin.name, place),
        activations.standing(plugin, place),
        secret_names(plugin),
    )
    own = row.settings if row else {}
    return ActivationView(
        plugin=plugin.name,
        branch=branch,
        version=row.version if row else 0,
        is_active=row.is_active if row else None,
        settings={name: value for name, value in own.items() if name not in secrets},
        secrets_set=sorted(secrets & set(standing.settings)),
        effective_is_active=standing.is_active,
        effective_settings={name: value for name, value in standing.settings.items() if name not in secrets},
        problems=list(standing.problems),
    )


def _healthy(plugin: Plugin, activations: Activations, rows: list[PluginActivation]) -> PluginView:
    manifest = plugin.manifest
    mine = [row for row in rows if row.plugin == plugin.name]
    return PluginView(
        name=manifest.name,
        title=manifest.title,
        version=manifest.version,
        api=manifest.api,
        description=manifest.description,
        distribution=plugin.distribution,
        state="active" if activations.is_active(plugin, None) else "off",
        problem=None,
        reason="",
        brings=host().brings(plugin),
        settings_schema=manifest.settings_schema,
        default_settings=manifest.default_settings,
        activations=[_activation(plugin, row.branch, activations) for row in mine],
    )


def _unhealthy(one: LeftOut) -> PluginView:
    manifest = one.manifest
    return PluginView(
        name=one.name,
        title=manifest.title if manifest else "",
        version=manifest.version if manifest else "",
        api=manifest.api if manifest else "",
        description=manifest.description if manifest else "",
        distribution=one.distribution,
        state="failed" if one.is_broken else "left_out",
        problem=one.problem,
        reason=one.reason,
        brings={},
        settings_schema={},
        default_settings={},
    )
