from django.apps import AppConfig


class PluginhostConfig(AppConfig):
    """Loads the installed plugins once everything else is ready."""

    name = "opticshop.pluginhost"
    label = "pluginhost"

    def ready(self) -> None:
        from django.core.checks import register

        from . import openapi, starting  # noqa: F401

        register(starting.check_plugins, "plugins")
        starting.start_installed()
