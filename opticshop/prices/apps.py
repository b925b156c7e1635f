from django.apps import AppConfig


class PricesConfig(AppConfig):
    name = "opticshop.prices"
    label = "prices"
