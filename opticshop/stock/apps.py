from django.apps import AppConfig


class StockConfig(AppConfig):
    name = "opticshop.stock"
    label = "stock"
