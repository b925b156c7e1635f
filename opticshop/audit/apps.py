from django.apps import AppConfig


class AuditConfig(AppConfig):
    name = "opticshop.audit"
    label = "audit"
