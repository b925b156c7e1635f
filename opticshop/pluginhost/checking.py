"""A close look at every plugin before it is relied on: the contract, stored settings, the choices of branches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from opticshop.branches.models import Branch
from opticshop.plugin_api.testing import conformance_checks

from .activation import Activations
from .discovery import Plugin, said
from .manager import PluginHost
from .models import PluginActivation

#: What a branch picks by name, and the shelf that it picks from; empty where it picks nothing.
_CHOICES = {
    "tolerance_standard": "tolerance_standards",
    "uncut_standard": "tolerance_standards",
    "message_channel": "channels",
    "recall_policy": "recall_policies",
    "tax_rule": "tax_rules",
}


@dataclass(frozen=True, slots=True)
class Kept:
    """How a plugin keeps the contract: checks run, checks left out because they act on the world, and what failed."""

    run: int
    skipped: int
    failures: list[str]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something stored that the installed plugins do not honour; a note where nothing depends on it."""

    text: str
    is_fault: bool = True


def conformance(host: PluginHost, plugin: Plugin, *, with_side_effects: bool) -> Kept:
    """Run the conformance suite of the contract. Sending and listening are tried only ``with_side_effects``."""
    shelf = host.shelves.tolerance_standards.values()
    others = [brought.thing for brought in shelf if brought.plugin is not plugin]
    try:
        checks = conformance_checks(plugin.implementation, standards=others)
    except Exception as error:
        return Kept(0, 0, [f"the checks could not be made: {said(error)}"])
    wanted = [check for check in checks if with_side_effects or not _acts_on_the_world(check.name)]
    failures = []
    for check in wanted:
        try:
            check.run()
        except Exception as error:
            failures.append(f"{check.name}: {said(error)}")
    return Kept(len(wanted), len(checks) - len(wanted), failures)


def _acts_on_the_world(name: str) -> bool:
    return name == "on_event" or (name.startswith("channel ") and name.endswith(": send"))


def stored(host: PluginHost) -> Iterator[Finding]:
    """What the database holds that the installed plugins cannot honour. Raises DatabaseError where there is none."""
    rows = list(PluginActivation.objects.select_related("branch").order_by("plugin", "id"))
    activations = Activations(rows)
    for row in rows:
        place = f"branch {row.branch.code}" if row.branch else "the group"
        plugin = host.plugins.get(row.plugin)
        if plugin is None:
            yield Finding(f"{row.plugin}: set up for {place}, but not in use", is_fault=False)
            continue
        for problem in activations.standing(plugin, row.branch_id).problems:
            yield Finding(f"{row.plugin}: the settings of {place} are not admitted: {problem}")
    for branch in Branch.objects.filter(is_active=True).order_by("code"):
        for choice, shelf in _CHOICES.items():
            picked = getattr(branch, choice)
            fault = _fault_of_choice(host, activations, branch, shelf, picked) if picked else None
            if fault is not None:
                yield Finding(f"branch {branch.code}: {choice.replace('_', ' ')} {fault}")


def _fault_of_choice(host: PluginHost, activations: Activations, branch: Branch, shelf: str, key: str) -> str | None:
    brought = getattr(host.shelves, shelf).get(key)
    if brought is None:
        return f"{key} is brought by no plugin"
    if not activations.is_active(brought.plugin, branch.id):
        return f"{key} belongs to {brought.plugin.name}, which is switched off there"
    return None
