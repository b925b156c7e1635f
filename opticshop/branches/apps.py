from django.apps import AppConfig


class BranchesConfig(AppConfig):
    name = "opticshop.branches"
    label = "branches"
