from django.apps import AppConfig


class ImportsConfig(AppConfig):
    name = "opticshop.imports"
    label = "imports"
