from django.apps import AppConfig


class PlainConfig(AppConfig):
    name = "tests.benchmarks.api.plain"
    label = "plain"
