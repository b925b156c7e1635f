from django.apps import AppConfig


class InstrumentsConfig(AppConfig):
    name = "opticshop.instruments"
    label = "instruments"
