"""Calling a plugin inside somebody else's transaction so that it can say no, but do no harm.

A plugin runs in a thread of its own, with a time limit, and without the database: it was given frozen facts and needs
nothing else. What it raises becomes a problem that names it; the caller's transaction rolls back, so nothing is half
written. A thread cannot be killed: one that never returns is abandoned (it holds no row and no connection) and ends
with the process. A plugin with too many abandoned threads is refused at once instead of getting another.
"""

from __future__ import annotations

import contextvars
import logging
from collections.abc import Callable
from threading import Thread
from typing import Any, NoReturn, TypeVar

from django.conf import settings
from django.db import connections

from opticshop.plugin_api import Refusal

from .discovery import Plugin
from .errors import DecideFailed, DecideTooSlow, PluginDefect, PluginRefused

log = logging.getLogger("opticshop.plugins")
T = TypeVar("T")

DEFAULT_LIMIT_SECONDS = 2.0
MAX_STUCK = 4


class DatabaseTouched(RuntimeError):
    """A plugin reached for the database while it was asked to decide."""


def limit_seconds() -> float:
    return float(getattr(settings, "OPTICSHOP_PLUGIN_DECIDE_SECONDS", DEFAULT_LIMIT_SECONDS))


def decided(plugin: Plugin, what: str, call: Callable[[], T], *, check: Callable[[T], str | None]) -> T:
    """The answer of a decide hook. ``check`` says what is wrong with an answer, None when it is sound.

    Raises PluginRefused for the plugin's Refusal, DecideTooSlow past the limit, DecideFailed for everything else.
    """
    answers, error = _within_limit(plugin, what, call)
    if isinstance(error, Refusal):
        raise PluginRefused(error.message, plugin=plugin.name, plugin_code=error.code, field=error.field) from error
    return _sound(plugin, what, answers, error, check, DecideFailed)


def computed(
    plugin: Plugin,
    what: str,
    call: Callable[[], T],
    *,
    check: Callable[[T], str | None],
    passes: tuple[type[Exception], ...] = (),
) -> T:
    """The answer of something that a plugin registered, asked for inside a transaction; it has no right to refuse.

    Raises DecideTooSlow past the limit, what is listed in ``passes`` as it is, PluginDefect for everything else.
    """
    answers, error = _within_limit(plugin, what, call)
    if isinstance(error, passes):
        raise error
    return _sound(plugin, what, answers, error, check, PluginDefect)


def _sound(
    plugin: Plugin,
    what: str,
    answers: list[T],
    error: BaseException | None,
    check: Callable[[T], str | None],
    defect: type[PluginDefect],
) -> T:
    """The answer if there is one and it is sound. The problem names the kind of error; its text is for the log."""
    fault = type(error).__name__ if error is not None else check(answers[0])
    if fault is not None:
        log.error("plugin %s failed in %s: %s", plugin.name, what, fault, exc_info=error)
        raise defect(f"The plugin {plugin.name} failed in {what}: {fault}", plugin=plugin.name) from error
    return answers[0]


def _within_limit(plugin: Plugin, what: str, call: Callable[[], T]) -> tuple[list[T], BaseException | None]:
    """The answer, or what was raised instead. Raises DecideTooSlow when there is neither in time."""
    plugin.stuck[:] = [thread for thread in plugin.stuck if thread.is_alive()]
    if len(plugin.stuck) >= MAX_STUCK:
        raise DecideTooSlow(
            f"{len(plugin.stuck)} earlier calls of the plugin {plugin.name} never returned; it is not asked again.",
            plugin=plugin.name,
        )
    answers: list[T] = []
    errors: list[BaseException] = []
    context = contextvars.copy_context()

    def work() -> None:
        try:
            _refuse_the_database()
            answers.append(context.run(call))
        except BaseException as error:
            errors.append(error)

    thread = Thread(target=work, name=f"plugin {plugin.name}: {what}", daemon=True)
    limit = limit_seconds()
    thread.start()
    thread.join(limit)
    if thread.is_alive():
        plugin.stuck.append(thread)
        log.error("plugin %s did not answer within %s s in %s", plugin.name, limit, what)
        raise DecideTooSlow(
            f"The plugin {plugin.name} did not answer within {limit:g} s in {what}.", plugin=plugin.name
        )
    return answers, errors[0] if errors else None


def _refuse_the_database() -> None:
    """Connections belong to a thread, so this concerns only the thread that it is called in."""

    def refuse(*args: Any, **kwargs: Any) -> NoReturn:
        raise DatabaseTouched("a plugin may not use the database while it decides")

    for connection in connections.all():
        connection.ensure_connection = refuse  # type: ignore[method-assign]
