from django.apps import AppConfig


class LedgerConfig(AppConfig):
    name = "opticshop.ledger"
    label = "ledger"
