from django.apps import AppConfig


class OfficeConfig(AppConfig):
    name = "opticshop.office"
    label = "office"
