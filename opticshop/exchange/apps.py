from django.apps import AppConfig


class ExchangeConfig(AppConfig):
    name = "opticshop.exchange"
    label = "exchange"
