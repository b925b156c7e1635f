from importlib import import_module
from typing import Any

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    """Listens to the beginning and the end of migrations: the triggers that mark facts are put in place then."""

    name = "opticshop.reports"
    label = "reports"

    def ready(self) -> None:
        """Each module of figures registers its reports when it is imported."""
        from django.db.models.signals import post_migrate, pre_migrate

        for module in ("money", "promises", "recalls", "selling", "stock", "workshop"):
            import_module(f"opticshop.reports.figures.{module}")
        pre_migrate.connect(_lift, sender=self, dispatch_uid="reports.lift")
        post_migrate.connect(_install, sender=self, dispatch_uid="reports.install")


def _lift(using: str, plan: Any = (), **_: Any) -> None:
    """SQLite rebuilds tables; and where the marks themselves are taken down nothing may write any."""
    from django.db import connections

    from .facts.triggers import lift

    undone = any(backwards and migration.app_label == "reports" for migration, backwards in plan)
    if undone or (plan and connections[using].vendor == "sqlite"):
        lift(connections[using])


def _install(using: str, **_: Any) -> None:
    from django.db import connections

    from .facts.triggers import install

    install(connections[using])
