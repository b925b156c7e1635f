from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "opticshop.accounts"
    label = "accounts"
