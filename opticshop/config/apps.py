from django.apps import AppConfig


class ConfigConfig(AppConfig):
    """Loads Celery with Django and imports every app's event handlers and duties once."""

    name = "opticshop.config"
    label = "config"

    def ready(self) -> None:
        from importlib import import_module
        from importlib.util import find_spec

        from django.apps import apps

        from . import (
            celery,  # noqa: F401
            telemetry,
        )

        telemetry.configure()

        for app in apps.get_app_configs():
            if app.name.startswith("opticshop.") and find_spec(f"{app.name}.tasks"):
                import_module(f"{app.name}.tasks")
