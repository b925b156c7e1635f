"""Errors that cross the line between host and plugin.

Every one carries a stable `code` for machines and a plain `message` for people. A plugin raises `Refusal`
from a decide hook and `InvalidInputs` from a calculator; the rest are raised by this package.
"""

from __future__ import annotations

from collections.abc import Sequence


class PluginApiError(Exception):
    """Base class. `code` is stable and dotted, `message` one plain sentence, `field` the argument at fault or
    None."""

    code = "plugins.error"

    def __init__(self, message: str, *, field: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.field = field


class Refusal(PluginApiError):
    """A decide hook says no. The host rolls the transaction back and shows `message` to the person at the
    desk.

    `code` belongs to the plugin and should begin with its name: "acme-rules.child_needs_registrant".
    """

    def __init__(self, code: str, message: str, field: str | None = None) -> None:
        super().__init__(message, field=field)
        self.code = code


class InvalidManifest(PluginApiError):
    """The manifest cannot be read: the plugin is left out or the start stops, as the operator chose."""

    code = "plugins.invalid_manifest"


class InvalidSettings(PluginApiError):
    """Branch settings that the plugin's JSON Schema does not admit. `problems` holds one line for each."""

    code = "plugins.invalid_settings"

    def __init__(self, plugin: str, problems: Sequence[str]) -> None:
        super().__init__(f"settings of {plugin}: " + "; ".join(problems))
        self.plugin = plugin
        self.problems = tuple(problems)


class InvalidInputs(PluginApiError):
    """Each input is in its range, but together they describe nothing that exists."""

    code = "calculators.invalid_inputs"


class InvalidFacts(PluginApiError, ValueError):
    """A dataclass of this package was built from values that cannot be, such as a cylinder without an
    axis."""

    code = "plugins.invalid_facts"


class UnknownStandard(PluginApiError):
    """A tolerance standard asked for another one that is not registered, or that (in the end) asks for it
    again."""

    code = "tolerances.unknown_standard"
