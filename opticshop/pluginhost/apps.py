from django.apps import AppConfig


class PluginhostConfig(AppConfig):
    name = "opticshop.pluginhost"
    label = "pluginhost"
