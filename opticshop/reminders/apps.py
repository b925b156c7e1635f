from django.apps import AppConfig


class RemindersConfig(AppConfig):
    name = "opticshop.reminders"
    label = "reminders"
