"""Where a plugin is active, and with which settings.

The effective settings at a branch are the plugin's defaults, overlaid key by key with the group's row and then with
the branch's row. A plugin is on unless the group's row switches it off; a branch's row may say otherwise for itself.
"""

from __future__ import annotations

import copy
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import ValidationError
from jsonschema_specifications import REGISTRY  # type: ignore[import-untyped]

from opticshop.core.actor import ALL, Where

from .discovery import Plugin
from .models import PluginActivation


@dataclass(frozen=True, slots=True)
class Standing:
    """Whether a plugin is active at a place, with the settings in force there and what is wrong with them."""

    is_active: bool
    settings: Mapping[str, Any]
    problems: tuple[SettingsProblem, ...] = ()


@dataclass(frozen=True, slots=True)
class SettingsProblem:
    """One setting that the plugin's schema does not admit; ``path`` leads to it from the settings."""

    path: tuple[str | int, ...]
    message: str
    rule: str
    allowed: Any

    def __str__(self) -> str:
        return f"{'/'.join(map(str, self.path)) or 'settings'}: {self.message}"


class Activations:
    """The rows of activation, read once; answers for any plugin at any branch without a further query."""

    def __init__(self, rows: Iterable[PluginActivation]) -> None:
        self._rows = {(row.plugin, row.branch_id): row for row in rows}

    @classmethod
    def at(cls, branch_id: uuid.UUID | None) -> Activations:
        """The rows that matter at one branch, or, without a branch, for the group."""
        group = PluginActivation.objects.filter(branch=None)
        return cls(group if branch_id is None else group | PluginActivation.objects.filter(branch_id=branch_id))

    @classmethod
    def everywhere(cls) -> Activations:
        return cls(PluginActivation.objects.all())

    def row(self, plugin_name: str, branch_id: uuid.UUID | None) -> PluginActivation | None:
        return self._rows.get((plugin_name, branch_id))

    def branches_of(self, plugin_name: str) -> Iterator[uuid.UUID]:
        """The branches that have a row of their own for the plugin."""
        return (branch_id for name, branch_id in self._rows if name == plugin_name and branch_id is not None)

    def is_active(self, plugin: Plugin, branch_id: uuid.UUID | None) -> bool:
        for place in (branch_id, None):
            row = self.row(plugin.name, place)
            if row is not None and row.is_active is not None:
                return row.is_active
        return True

    def is_active_within(self, plugin: Plugin, where: Where) -> bool:
        """Whether the plugin is active for the group or in at least one of the branches."""
        places = self.branches_of(plugin.name) if where is ALL else where
        if where is ALL and self.is_active(plugin, None):
            return True
        return any(self.is_active(plugin, place) for place in places)

    def standing(self, plugin: Plugin, branch_id: uuid.UUID | None) -> Standing:
        layers = [self.row(plugin.name, place) for place in dict.fromkeys((None, branch_id))]
        settings = merged(plugin, *(row.settings for row in layers if row is not None))
        problems = tuple(settings_problems(plugin, settings))
        return Standing(self.is_active(plugin, branch_id), settings, problems)


def merged(plugin: Plugin, *layers: Mapping[str, Any]) -> dict[str, Any]:
    """The plugin's defaults overlaid with each layer in turn, key by key at the top level."""
    result = dict(plugin.manifest.default_settings)
    for layer in layers:
        result.update(layer)
    return copy.deepcopy(result)


def settings_problems(plugin: Plugin, settings: Mapping[str, Any]) -> list[SettingsProblem]:
    """What the plugin's JSON Schema (2020-12) says against these settings, in the order of the settings."""
    validator = Draft202012Validator(plugin.manifest.settings_schema, registry=REGISTRY)
    found = sorted(validator.iter_errors(dict(settings)), key=lambda error: list(map(str, error.absolute_path)))
    return [_problem(error, secret_names(plugin)) for error in found]


def _problem(error: ValidationError, secrets: frozenset[str]) -> SettingsProblem:
    path: list[str | int] = list(error.absolute_path)
    allowed: Any = error.validator_value
    if error.validator == "additionalProperties" and isinstance(error.schema, Mapping):
        known = sorted(error.schema.get("properties", {}))
        unknown = sorted(set(error.instance) - set(known)) if isinstance(error.instance, Mapping) else []
        path, allowed = path + unknown[:1], known
    elif error.validator == "required" and isinstance(error.instance, Mapping):
        path += [name for name in error.validator_value if name not in error.instance][:1]
    is_secret = bool(path) and path[0] in secrets
    message = f"is not admitted ({error.validator})" if is_secret else error.message
    return SettingsProblem(tuple(path), message, str(error.validator), allowed)


def secret_names(plugin: Plugin) -> frozenset[str]:
    """Settings that are kept and used but never shown: those whose schema says ``writeOnly``."""
    properties = plugin.manifest.settings_schema.get("properties", {})
    return frozenset(
        name for name, shape in properties.items() if isinstance(shape, Mapping) and shape.get("writeOnly")
    )
