from django.apps import AppConfig


class ReplenishmentConfig(AppConfig):
    name = "opticshop.replenishment"
    label = "replenishment"
