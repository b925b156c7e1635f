"""Every resource of /api/v1/, app by app, in the order of the job."""

from __future__ import annotations

from importlib import import_module

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
