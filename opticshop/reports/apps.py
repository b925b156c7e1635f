from importlib import import_module

from django.apps import AppConfig


class ReportsConfig(AppConfig):
    name = "opticshop.reports"
    label = "reports"

    def ready(self) -> None:
        """Each module of figures registers its reports when it is imported."""
        for module in ("money", "promises", "recalls", "selling", "stock", "workshop"):
            import_module(f"opticshop.reports.figures.{module}")
