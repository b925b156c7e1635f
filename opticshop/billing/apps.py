from django.apps import AppConfig


class BillingConfig(AppConfig):
    name = "opticshop.billing"
    label = "billing"
