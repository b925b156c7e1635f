"""Tests with plugins made on the spot: ``with using_plugins([MyPlugin()]): ...``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from . import manager, notifying
from .discovery import Offer, installed_offers
from .manager import PluginHost


def offer_of(plugin: Any) -> Offer:
    """An offer of an object that is already there, named by its manifest or else its class."""
    name = getattr(getattr(plugin, "manifest", None), "name", type(plugin).__name__)
    return Offer(str(name), lambda: plugin, f"{type(plugin).__name__} in a test")


@contextmanager
def using_plugins(
    plugins: Iterable[Any], *, and_installed: bool = False, allow_left_out: bool = False
) -> Iterator[PluginHost]:
    """Put a host of exactly these plugins in use (and the installed ones, on request), with their subscriptions.

    A plugin that is left out fails the test with the reason, unless ``allow_left_out``: then ``host.left_out`` has it.
    """
    offers = [offer_of(plugin) for plugin in plugins]
    built = manager.build([*installed_offers(), *offers] if and_installed else offers)
    if built.left_out and not allow_left_out:
        raise AssertionError("; ".join(f"{one.name} ({one.problem}): {one.reason}" for one in built.left_out))
    before = manager.install(built)
    if before is not None:
        notifying.unsubscribe(before)
    notifying.subscribe(built)
    try:
        yield built
    finally:
        notifying.unsubscribe(built)
        manager.install(before)
        if before is not None:
            notifying.subscribe(before)
