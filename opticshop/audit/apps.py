from __future__ import annotations

from typing import Any

from django.apps import AppConfig


class AuditConfig(AppConfig):
    """Listens to three moments of the framework itself: a connection is made, migrations begin, migrations ended."""

    name = "opticshop.audit"
    label = "audit"

    def ready(self) -> None:
        from django.db.backends.signals import connection_created
        from django.db.models.signals import post_migrate, pre_migrate

        from . import checks  # noqa: F401

        connection_created.connect(_prepare, dispatch_uid="audit.prepare")
        pre_migrate.connect(_lift, sender=self, dispatch_uid="audit.lift")
        post_migrate.connect(_install, sender=self, dispatch_uid="audit.install")


def _prepare(connection: Any, **_: Any) -> None:
    from .connections import prepare

    prepare(connection)


def _lift(using: str, plan: Any = (), **_: Any) -> None:
    """SQLite rebuilds tables and refuses to drop a column that a trigger names."""
    from django.db import connections

    from .triggers import lift

    if plan and connections[using].vendor == "sqlite":
        lift(connections[using])


def _install(using: str, **_: Any) -> None:
    from django.db import connections

    from .triggers import install

    install(connections[using])
