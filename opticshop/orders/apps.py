from django.apps import AppConfig


class OrdersConfig(AppConfig):
    name = "opticshop.orders"
    label = "orders"
