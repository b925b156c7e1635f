from django.apps import AppConfig


class CatalogueConfig(AppConfig):
    name = "opticshop.catalogue"
    label = "catalogue"
