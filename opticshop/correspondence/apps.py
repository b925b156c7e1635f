from django.apps import AppConfig


class CorrespondenceConfig(AppConfig):
    name = "opticshop.correspondence"
    label = "correspondence"
