"""Telling plugins what happened: one delivery of the outbox per plugin, so one that fails is retried by itself."""

from __future__ import annotations

import copy
from typing import Any

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core import outbox
from opticshop.core.actor import system
from opticshop.core.models import OutboxEvent
from opticshop.plugin_api import Event

from .activation import Activations
from .isolation import computed
from .manager import PluginHost, host
from .services.deciding import usable_settings

HOOK = "on_event"


def handler_name(plugin_name: str) -> str:
    """The stable name under which the outbox keeps the deliveries of a plugin."""
    return f"plugin:{plugin_name}"


def subscribe(present: PluginHost) -> None:
    """Hand every event, from now on, to each plugin that listens."""
    for plugin in present.implementing(HOOK):
        outbox.subscribe(outbox.EVERY_TYPE, handler_name(plugin.name), outside=True)(_handler(plugin.name))


def unsubscribe(present: PluginHost) -> None:
    """Take the subscriptions of these plugins back, when another host takes the place of this one."""
    for plugin in present.implementing(HOOK):
        outbox.unsubscribe(outbox.EVERY_TYPE, handler_name(plugin.name))


def _handler(plugin_name: str) -> outbox.Handler:
    """Delivers to one plugin, by name: that of whichever host is in use when the delivery is due."""

    def deliver(event: OutboxEvent) -> None:
        present = host()
        plugin = present.plugins[plugin_name]
        standing = Activations.at(event.branch_id).standing(plugin, event.branch_id)
        if not standing.is_active:
            return
        branch = branch_get_for(system("plugins"), event.branch_id) if event.branch_id else None
        facts, settings = told(event, branch), usable_settings(plugin, standing)
        computed(plugin, HOOK, lambda: present.ask(plugin, HOOK, event=facts, settings=settings), check=lambda _: None)

    return deliver


def told(event: OutboxEvent, branch: Branch | None) -> Event:
    """The event as plugins see it: CloudEvents in shape, a copy of the data, nothing of ours to hold on to."""
    facts: dict[str, Any] = copy.deepcopy(event.data)
    return Event(
        id=str(event.id),
        type=event.type,
        source=f"/branches/{branch.code}" if branch else "/",
        subject=event.subject,
        occurred_at=event.created_at,
        branch_code=branch.code if branch else None,
        data=facts,
    )
