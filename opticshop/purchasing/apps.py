from django.apps import AppConfig


class PurchasingConfig(AppConfig):
    name = "opticshop.purchasing"
    label = "purchasing"
