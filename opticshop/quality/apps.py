from django.apps import AppConfig


class QualityConfig(AppConfig):
    name = "opticshop.quality"
    label = "quality"
