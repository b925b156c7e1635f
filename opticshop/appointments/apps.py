from django.apps import AppConfig


class AppointmentsConfig(AppConfig):
    name = "opticshop.appointments"
    label = "appointments"
