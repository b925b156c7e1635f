"""Finding plugins and judging each by itself: can it be imported, is its manifest sound, does it fit this contract.

What is found here is only *offered*; ``registry`` then asks the sound ones what they bring. Nothing here raises for a
bad plugin: a plugin that cannot be used becomes a ``LeftOut`` with its name and the reason, and the rest works.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from threading import Thread
from typing import Any, Literal

import pluggy
from django.conf import settings

from opticshop.plugin_api import (
    API_VERSION,
    ENTRY_POINT_GROUP,
    InvalidManifest,
    PluginManifest,
    new_plugin_manager,
)

#: The column that remembers activation takes names up to this length.
LONGEST_NAME = 80

Problem = Literal["import", "manifest", "api", "settings", "duplicate", "hooks", "registration"]
#: Problems in which code of the plugin broke; the others are refusals by rule.
BROKEN: frozenset[Problem] = frozenset(("import", "hooks", "registration"))


@dataclass(frozen=True, slots=True)
class Offer:
    """A plugin that says it is there. ``load`` returns the object named by the entry point, or raises."""

    name: str
    load: Callable[[], Any]
    distribution: str = ""


@dataclass(frozen=True, slots=True)
class Plugin:
    """A plugin that can be used. ``stuck`` are calls that never returned (``isolation`` keeps them)."""

    manifest: PluginManifest
    implementation: Any
    distribution: str = ""
    stuck: list[Thread] = field(default_factory=list, compare=False, repr=False)

    @property
    def name(self) -> str:
        return self.manifest.name


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A plugin that is not used, and why. ``manifest`` is there when it could be read."""

    name: str
    problem: Problem
    reason: str
    distribution: str = ""
    manifest: PluginManifest | None = None

    @property
    def is_broken(self) -> bool:
        """Whether code of the plugin failed, rather than a rule refusing it."""
        return self.problem in BROKEN


class Unfit(Exception):
    """Why a plugin cannot be used; turned into a ``LeftOut`` by whoever asked."""

    def __init__(self, problem: Problem, reason: str) -> None:
        super().__init__(reason)
        self.problem = problem
        self.reason = reason


def installed_offers() -> list[Offer]:
    """What the installed distributions offer, by name of the entry point and of the distribution.

    ``OPTICSHOP_PLUGINS_ONLY`` (a list of entry point names; None, the default, admits all) lets an operator keep an
    installed plugin from being imported at all.
    """
    only = getattr(settings, "OPTICSHOP_PLUGINS_ONLY", None)
    offers = [_offer(point) for point in entry_points(group=ENTRY_POINT_GROUP)]
    wanted = offers if only is None else [offer for offer in offers if offer.name in only]
    return sorted(wanted, key=lambda offer: (offer.name, offer.distribution))


def _offer(point: EntryPoint) -> Offer:
    distribution = f"{point.dist.name} {point.dist.version}" if point.dist is not None else ""
    return Offer(point.name, point.load, distribution)


def judged(offers: Iterable[Offer]) -> tuple[list[Plugin], list[LeftOut]]:
    """The plugins that can be used, in the order of their names, and those that cannot.

    Of two plugins of one name the first in the order of the offers stays and the other is left out.
    """
    sound: dict[str, Plugin] = {}
    left_out: list[LeftOut] = []
    for offer in offers:
        plugin: Plugin | None = None
        try:
            plugin = _read(offer)
            _check(plugin)
            _check_unique(plugin, sound)
        except Unfit as unfit:
            left_out.append(
                LeftOut(
                    plugin.name if plugin is not None else offer.name,
                    unfit.problem,
                    unfit.reason,
                    offer.distribution,
                    plugin.manifest if plugin is not None else None,
                )
            )
        else:
            sound[plugin.name] = plugin
    return [sound[name] for name in sorted(sound)], left_out


def _read(offer: Offer) -> Plugin:
    """Import the plugin and look at its manifest, which checks itself when it is made."""
    try:
        found = offer.load()
        manifest = getattr(found, "manifest", None)
    except InvalidManifest as error:
        raise Unfit("settings" if error.field == "default_settings" else "manifest", error.message) from error
    except (Exception, SystemExit) as error:
        raise Unfit("import", said(error)) from error
    if isinstance(found, type):
        raise Unfit("manifest", f"the entry point names the class {found.__name__}; name an instance of it")
    if not isinstance(manifest, PluginManifest):
        raise Unfit("manifest", "it has no `manifest` of type PluginManifest")
    return Plugin(manifest, found, offer.distribution)


def _check(plugin: Plugin) -> None:
    manifest = plugin.manifest
    if len(manifest.name) > LONGEST_NAME:
        raise Unfit("manifest", f"its name is longer than {LONGEST_NAME} characters")
    if not manifest.is_compatible:
        wanted = f"version {API_VERSION} of the plugin contract is installed"
        raise Unfit("api", f"it works with {manifest.api}, but {wanted}")
    _check_hooks(plugin)


def _check_unique(plugin: Plugin, sound: dict[str, Plugin]) -> None:
    if plugin.name in sound:
        other = sound[plugin.name].distribution or "another plugin"
        raise Unfit("duplicate", f"the name {plugin.name} is already taken by {other}")
    for other_plugin in sound.values():
        if other_plugin.implementation == plugin.implementation:  # pluggy would take them for one
            raise Unfit("duplicate", f"its object is that of the plugin {other_plugin.name}")


def _check_hooks(plugin: Plugin) -> None:
    """Every marked method is a hook of this contract with parameters of this contract, and only an implementation.

    Asked of a manager of its own, because a refused registration leaves traces in the manager that refused it.
    """
    apart = new_plugin_manager()
    try:
        hash(plugin.implementation)
        apart.register(plugin.implementation, name=plugin.name)
        apart.check_pending()
        implemented = apart.get_hookcallers(plugin.implementation) or []
        wraps = [c.name for c in implemented for i in c.get_hookimpls() if i.wrapper or i.hookwrapper]
    except pluggy.PluginValidationError as error:
        raise Unfit("hooks", str(error)) from error
    except Exception as error:
        raise Unfit("hooks", said(error)) from error
    if not implemented:
        raise Unfit("hooks", "it implements no hook")
    if wraps:
        raise Unfit("hooks", f"{wraps[0]} is written as a wrapper; a plugin is called by itself")


def said(error: BaseException) -> str:
    """An exception in one line for people."""
    text = str(error).strip().replace("\n", " ")
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
