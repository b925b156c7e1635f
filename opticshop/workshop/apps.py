from django.apps import AppConfig


class WorkshopConfig(AppConfig):
    name = "opticshop.workshop"
    label = "workshop"
