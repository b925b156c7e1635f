"""What can go wrong between the service and a plugin. Every problem names the plugin."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from opticshop.core.errors import Conflict, DomainError, Invalid


class PluginNotAvailable(Conflict):
    """What was asked for is brought by no installed plugin, or its plugin is switched off at this branch."""

    code = "pluginhost.not_available"
    title = "No active plugin brings this"


class PluginRefused(Conflict):
    """A plugin says no to this step. ``detail`` is its reason, ``plugin_code`` its own stable code for it."""

    code = "pluginhost.refused"
    title = "A rule of a plugin does not allow this"

    def __init__(self, detail: str, *, plugin: str, plugin_code: str, field: str | None = None) -> None:
        super().__init__(detail, field=field, plugin=plugin, plugin_code=plugin_code)
        self.plugin = plugin
        self.plugin_code = plugin_code


class PluginDefect(DomainError):
    """A plugin broke, or broke the contract. Nothing was written; switch the plugin off or repair it."""

    code = "pluginhost.plugin_failed"
    title = "A plugin failed; nothing was written"
    status = 503

    def __init__(self, detail: str, *, plugin: str) -> None:
        super().__init__(detail, plugin=plugin)
        self.plugin = plugin


class DecideFailed(PluginDefect):
    """A plugin that has a say in this step broke, or answered with something that the contract does not know."""

    code = "pluginhost.decide_failed"
    title = "A plugin could not decide; nothing was written"


class DecideTooSlow(PluginDefect):
    """A plugin that has a say in this step did not answer in time. Nothing was written."""

    code = "pluginhost.too_slow"
    title = "A plugin took too long to decide; nothing was written"


class StoredSettingsInvalid(PluginDefect):
    """The settings stored for a plugin are not those that its present version admits. Set them anew."""

    code = "pluginhost.stored_settings_invalid"
    title = "The stored settings of a plugin do not fit its present version"
    status = 409


class SettingsNotAdmitted(Invalid):
    """The settings do not satisfy the JSON Schema that the plugin states; each entry of ``errors`` names one."""

    code = "pluginhost.settings_not_admitted"
    title = "The plugin does not admit these settings"


class CalculatorInputsInvalid(Invalid):
    """The inputs are not those that the calculator's schema states; each entry of ``errors`` names one."""

    code = "calculators.invalid_inputs"
    title = "The calculator does not take these inputs"


class OutOfTime(DomainError):
    """A row of a batch was not reached in the time that one batch has; it can be sent again."""

    code = "calculators.out_of_time"
    title = "Not computed in time"
    status = 503


class CannotBeComputed(Invalid):
    """Each input is in its range, but together they describe nothing that exists."""

    code = "calculators.cannot_be_computed"
    title = "For these inputs there is nothing to compute"


class CalculatorFailed(PluginDefect):
    """A calculator broke on inputs that its schema admits: a defect of its plugin."""

    code = "calculators.failed"
    title = "The calculator failed on inputs that it admits"
    status = 500


def pointer(path: Iterable[str | int]) -> str:
    """A JSON pointer (RFC 6901) as a fragment."""
    return "#" + "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)


def entry(path: Iterable[str | int], detail: str, code: str, allowed: Any = None) -> dict[str, Any]:
    """One entry of the ``errors`` of a problem."""
    found: dict[str, Any] = {"pointer": pointer(path), "detail": detail, "code": code}
    if allowed is not None:
        found["allowed"] = allowed
    return found
