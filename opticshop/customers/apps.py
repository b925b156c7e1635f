from django.apps import AppConfig


class CustomersConfig(AppConfig):
    name = "opticshop.customers"
    label = "customers"
