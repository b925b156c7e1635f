from django.apps import AppConfig


class AlertsConfig(AppConfig):
    name = "opticshop.alerts"
    label = "alerts"
