"""Who may read which event. What is not in the table is read by nobody."""

from __future__ import annotations

import re
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec

from django.apps import apps
from django.db.models import Q

from opticshop.core.actor import ALL, Actor

#: Area (the word before the dot) -> permission needed to read its events.
NEEDED: dict[str, str] = {
    "accounts": "accounts.view",
    "alerts": "alerts.view",
    "appointments": "appointments.view",
    "audit": "audit.view",
    "billing": "billing.view",
    "branches": "branches.view",
    "catalogue": "catalogue.view",
    "correspondence": "correspondence.view",
    "customers": "customers.view",
    "exchange": "exchange.view",
    "imports": "imports.view",
    "instruments": "instruments.view",
    "integrations": "integrations.view",
    "ledger": "ledger.view",
    "orders": "orders.view",
    "pluginhost": "plugins.view",
    "prescriptions": "prescriptions.view",
    "prices": "prices.view",
    "privacy": "privacy.view",
    "purchasing": "purchasing.view",
    "quality": "quality.view",
    "reminders": "reminders.view",
    "replenishment": "replenishment.view",
    "reports": "reports.view",
    "stock": "stock.view",
    "workshop": "workshop.view",
}

_TYPE = re.compile(r"[a-z]+\.[a-z_]+")


def area_of(event_type: str) -> str:
    return event_type.split(".", 1)[0]


@lru_cache(maxsize=1)
def declared() -> frozenset[str]:
    """Every event type that the ``events`` module of an installed app declares."""
    names = [f"{app.name}.events" for app in apps.get_app_configs() if app.name.startswith("opticshop.")]
    modules = [import_module(name) for name in names if find_spec(name)]
    return frozenset(
        value
        for module in modules
        for name, value in vars(module).items()
        if name.isupper() and isinstance(value, str) and _TYPE.fullmatch(value)
    )


def readable_by(actor: Actor) -> Q:
    """The condition on feed entries that leaves what the actor may read, where it may read it."""
    areas_by_place: dict[object, list[str]] = {}
    for area, permission in NEEDED.items():
        areas_by_place.setdefault(actor.where(permission), []).append(area)
    readable = Q(pk__in=())
    for where, areas in areas_by_place.items():
        readable |= Q(area__in=areas) if where is ALL else Q(area__in=areas, branch_id__in=where)
    return readable
