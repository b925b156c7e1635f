from django.apps import AppConfig


class IntegrationsConfig(AppConfig):
    name = "opticshop.integrations"
    label = "integrations"
