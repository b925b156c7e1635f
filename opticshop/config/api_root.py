"""Every resource of /api/v1/, app by app, in the order of the job."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec

from rest_framework.routers import SimpleRouter

router = SimpleRouter()

#: Apps in the order of the job; each offers ``routes`` in its api module: (prefix, view set) pairs.
APPS = (
    "accounts",
    "branches",
    "customers",
    "prescriptions",
    "catalogue",
    "stock",
    "orders",
    "billing",
    "workshop",
    "quality",
    "reminders",
    "pluginhost",
)

for _app in APPS:
    if find_spec(f"opticshop.{_app}.api") is None:
        continue
    try:  # TEMPORARY while rooms are being built
        _routes = import_module(f"opticshop.{_app}.api").routes
    except (ImportError, AttributeError):
        continue
    for _prefix, _viewset in _routes:
        router.register(_prefix, _viewset, basename=_prefix)

urlpatterns = router.urls
