from django.apps import AppConfig


class PurchasingConfig(AppConfig):
    name = "opticshop.purchasing"
    label = "purchasing"

    def ready(self) -> None:
        from opticshop.orders.promising import lead_times_from

        from .selectors.suppliers import lead_times

        lead_times_from(lead_times)
