from django.apps import AppConfig


class PrivacyConfig(AppConfig):
    name = "opticshop.privacy"
    label = "privacy"
