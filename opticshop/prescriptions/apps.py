from django.apps import AppConfig


class PrescriptionsConfig(AppConfig):
    name = "opticshop.prescriptions"
    label = "prescriptions"
