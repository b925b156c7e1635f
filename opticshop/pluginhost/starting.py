"""What happens to plugins when the service starts: they are loaded, reported, and subscribed to the outbox."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Warning
from django.core.exceptions import ImproperlyConfigured

from . import manager, notifying
from .discovery import LeftOut
from .manager import PluginHost


class PluginsLeftOut(ImproperlyConfigured):
    """OPTICSHOP_PLUGINS_STRICT is on and a plugin cannot be used: the service does not start."""


def start(present: PluginHost, *, strict: bool) -> None:
    """Take a host into service. Raises PluginsLeftOut when strict and one plugin cannot be used."""
    if strict and present.left_out:
        raise PluginsLeftOut(
            "OPTICSHOP_PLUGINS_STRICT is on and these plugins cannot be used: "
            + "; ".join(map(described, present.left_out))
            + ". Run `manage.py plugins check` for the whole picture."
        )
    notifying.subscribe(present)


def start_installed() -> None:
    """Called once when Django is ready. ``manage.py plugins`` starts in any case: it is there to say what is wrong."""
    diagnosing = sys.argv[1:2] == ["plugins"]
    start(manager.host(), strict=settings.OPTICSHOP_PLUGINS_STRICT and not diagnosing)


def described(one: LeftOut) -> str:
    origin = f" [{one.distribution}]" if one.distribution else ""
    return f"{one.name}{origin} ({one.problem}): {one.reason}"


def check_plugins(app_configs: Sequence[Any] | None = None, **kwargs: Any) -> list[CheckMessage]:
    """System check: a warning for each plugin that is installed and not used."""
    return [
        Warning(
            f"The plugin {described(one)}",
            hint="Repair, upgrade or uninstall it; `manage.py plugins check` tells more.",
            id="pluginhost.W001",
        )
        for one in manager.host().left_out
    ]
