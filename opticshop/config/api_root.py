"""Every resource of /api/v1/, app by app, in the order of the job."""

from __future__ import annotations

import re
import sys
from functools import cached_property
from importlib import import_module
from typing import Any

from django.urls import URLResolver
from django.urls.resolvers import ResolverMatch, RoutePattern
from rest_framework.routers import SimpleRouter

router = SimpleRouter()

#: Apps in the order of the job; each offers ``routes`` in its api module: (prefix, view set) pairs.
APPS = (
    "accounts",
    "branches",
    "customers",
    "prescriptions",
    "catalogue",
    "prices",
    "stock",
    "instruments",
    "orders",
    "purchasing",
    "billing",
    "ledger",
    "workshop",
    "quality",
    "replenishment",
    "appointments",
    "correspondence",
    "reminders",
    "alerts",
    "integrations",
    "exchange",
    "imports",
    "privacy",
    "reports",
    "pluginhost",
    "audit",
)

for _app in APPS:
    for _prefix, _viewset in import_module(f"opticshop.{_app}.api").routes:
        router.register(_prefix, _viewset, basename=_prefix)

urlpatterns = router.urls


class ByFirstWord(URLResolver):
    """Looks for an address among the patterns that begin with its first word, instead of among all six hundred."""

    @cached_property
    def _of_word(self) -> dict[str, URLResolver]:
        words: dict[str, list[Any]] = {}
        for each in self.url_patterns:
            begins = re.match(r"\^([a-z-]+)/", str(each.pattern))
            if begins is None:
                return {}  # one of them might fit any word
            words.setdefault(begins[1], []).append(each)
        return {word: URLResolver(self.pattern, patterns) for word, patterns in words.items()}

    def resolve(self, path: str) -> ResolverMatch:
        found = self.pattern.match(str(path))
        narrow = self._of_word.get(found[0].partition("/")[0]) if found else None
        return super().resolve(path) if narrow is None else narrow.resolve(path)


def below(prefix: str) -> URLResolver:
    """For ``urlpatterns``: everything here, below the prefix."""
    return ByFirstWord(RoutePattern(prefix, is_endpoint=False), sys.modules[__name__])
