"""What a plugin says about itself before any of its code is asked to do something."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import SchemaError
from packaging.specifiers import InvalidSpecifier, SpecifierSet
from packaging.version import InvalidVersion, Version
from referencing import Registry

from .errors import InvalidManifest, InvalidSettings
from .version import admits_this_api

KEBAB_CASE = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
"""How plugins, calculators, standards, channels, policies and exporters are named."""

_NOTHING_ELSE: Registry[Any] = Registry()
"""No other schema can be referred to, so nothing is ever fetched."""


def _empty_schema() -> dict[str, Any]:
    return {"type": "object", "additionalProperties": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class PluginManifest:
    """Name, versions and settings of one plugin. Raises `InvalidManifest` when it cannot be what it says.

    `name` is kebab-case and unique in an installation; `version` follows the Python packaging rules; `api`
    says which versions of the contract the plugin can work with (leave the upper end at the next major
    version); `settings_schema` is a JSON Schema 2020-12 object schema for the settings of one branch, whose
    references stay inside it; `default_settings` must satisfy it; `permissions` are names the host may grant
    to people.
    """

    name: str
    title: str
    version: str
    api: str
    description: str
    settings_schema: Mapping[str, Any] = field(default_factory=_empty_schema, hash=False)
    default_settings: Mapping[str, Any] = field(default_factory=dict, hash=False)
    permissions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "settings_schema", copy.deepcopy(dict(self.settings_schema)))
        object.__setattr__(self, "default_settings", copy.deepcopy(dict(self.default_settings)))
        object.__setattr__(self, "permissions", tuple(self.permissions))
        if not isinstance(self.name, str) or not KEBAB_CASE.fullmatch(self.name):
            raise InvalidManifest(f"the name {self.name!r} is not kebab-case", field="name")
        for text in ("title", "description"):
            if not getattr(self, text).strip():
                raise InvalidManifest(f"{self.name}: {text} is empty", field=text)
        try:
            Version(self.version)
        except InvalidVersion:
            raise InvalidManifest(f"{self.name}: {self.version!r} is no version", field="version") from None
        try:
            SpecifierSet(self.api)
        except InvalidSpecifier:
            raise InvalidManifest(f"{self.name}: {self.api!r} is no version specifier", field="api") from None
        self._check_schema()

    def _check_schema(self) -> None:
        try:
            Draft202012Validator.check_schema(self.settings_schema)
        except SchemaError as error:
            message = f"{self.name}: settings schema: {error.message}"
            raise InvalidManifest(message, field="settings_schema") from None
        if self.settings_schema.get("type") != "object":
            raise InvalidManifest(f"{self.name}: settings are an object", field="settings_schema")
        if outside := sorted(set(_references(self.settings_schema)) - {""}):
            raise InvalidManifest(f"{self.name}: the schema refers to {outside[0]}", field="settings_schema")
        try:
            self.settings_with({})
        except InvalidSettings as error:
            raise InvalidManifest(f"{self.name}: default {error.message}", field="default_settings") from None

    @property
    def is_compatible(self) -> bool:
        """Whether `api` admits the version of the contract that is installed."""
        return admits_this_api(self.api)

    def settings_with(self, own: Mapping[str, Any]) -> dict[str, Any]:
        """A fresh dict: the defaults, overlaid key by key (top level) with a branch's own settings.

        Raises `InvalidSettings` with one line for each problem.
        """
        merged = copy.deepcopy({**self.default_settings, **own})
        validator = Draft202012Validator(self.settings_schema, registry=_NOTHING_ELSE)
        problems = sorted(validator.iter_errors(merged), key=lambda error: error.json_path)
        if problems:
            raise InvalidSettings(self.name, [f"{error.json_path}: {error.message}" for error in problems])
        return merged


def _references(schema: Any) -> list[str]:
    """The documents referred to by `$ref` anywhere in the schema; "" is the schema itself."""
    if isinstance(schema, Mapping):
        own = [str(value).split("#")[0] for key, value in schema.items() if key in ("$ref", "$dynamicRef")]
        return own + [found for value in schema.values() for found in _references(value)]
    if isinstance(schema, list | tuple):
        return [found for value in schema for found in _references(value)]
    return []
