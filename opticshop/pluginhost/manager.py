"""The plugin host: the healthy plugins, what they bring, and how each is called.

``build`` makes one from offers, ``host`` is the one in use: loaded from the installed distributions on first use and
kept for the life of the process. Tests install another one (``pluginhost.testing``).
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pluggy

from opticshop.plugin_api import DECIDE_HOOKS, NOTIFY_HOOKS, new_plugin_manager

from .discovery import LeftOut, Offer, Plugin, installed_offers, judged
from .registry import Shelves, stocked

log = logging.getLogger("opticshop.plugins")


@dataclass(frozen=True)
class PluginHost:
    """Plugins by name, in the order of their names; pluggy's own order (last registered first) is never used."""

    plugins: Mapping[str, Plugin]
    left_out: tuple[LeftOut, ...]
    shelves: Shelves
    manager: pluggy.PluginManager

    def implementing(self, hook: str) -> list[Plugin]:
        """The plugins that implement a hook, in the order of their names."""
        found = {impl.plugin_name for impl in getattr(self.manager.hook, hook).get_hookimpls()}
        return [plugin for name, plugin in self.plugins.items() if name in found]

    def implements(self, plugin: Plugin, hook: str) -> bool:
        return any(plugin is one for one in self.implementing(hook))

    def ask(self, plugin: Plugin, hook: str, **facts: Any) -> Any:
        """Call one plugin's implementation of a hook by itself. None if it returned None; raises what it raises."""
        others = [p.implementation for p in self.plugins.values() if p is not plugin]
        answers = self.manager.subset_hook_caller(hook, remove_plugins=others)(**facts)
        return answers[0] if answers else None

    def brings(self, plugin: Plugin) -> dict[str, list[str]]:
        """What a plugin brings, for people: keys by kind, and the hooks through which it decides or listens."""
        return {
            **self.shelves.of(plugin.name),
            "decides": [hook for hook in DECIDE_HOOKS if self.implements(plugin, hook)],
            "listens": [hook for hook in NOTIFY_HOOKS if self.implements(plugin, hook)],
        }


def build(offers: Iterable[Offer]) -> PluginHost:
    """A host of the plugins that can be used; the others are logged and kept by name with the reason."""
    candidates, refused = judged(offers)
    shelves, plugins, unusable = stocked(candidates)
    manager = new_plugin_manager()
    for plugin in plugins:
        manager.register(plugin.implementation, name=plugin.name)
    manager.check_pending()
    left_out = tuple(sorted((*refused, *unusable), key=lambda one: (one.name, one.distribution)))
    for one in left_out:
        log.error("plugin %s is left out (%s): %s", one.name, one.problem, one.reason)
    return PluginHost({plugin.name: plugin for plugin in plugins}, left_out, shelves, manager)


_in_use: PluginHost | None = None


def host() -> PluginHost:
    """The host in use; loads the installed plugins the first time."""
    global _in_use
    if _in_use is None:
        _in_use = build(installed_offers())
    return _in_use


def install(new: PluginHost | None) -> PluginHost | None:
    """Put another host in use and return the one before. None: the installed plugins are loaded on the next use."""
    global _in_use
    before, _in_use = _in_use, new
    return before
