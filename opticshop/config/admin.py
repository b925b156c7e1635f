"""The back office: every record to look at, none to change but who may enter here.

Records change through services only (the API), so that every change has its checks, its event and its actor.
"""

from __future__ import annotations

from typing import Any

from django.apps import apps
from django.contrib import admin
from django.contrib.auth.models import Group
from django.db import models
from django.http import HttpRequest

from opticshop.accounts.models import User
from opticshop.audit.shape import SECRET

#: Fields that say nothing in a list.
_LONG = (models.TextField, models.JSONField, models.BinaryField)


class LookOnly(admin.ModelAdmin):
    """Lists and shows; offers no change."""

    show_full_result_count = False
    list_per_page = 50
    ordering = ("-pk",)

    def lookup_allowed(self, lookup: str, value: Any, request: HttpRequest) -> bool:
        """No filter by a secret: its digest could be read from the address, one letter at a time."""
        hidden = any(SECRET.search(part) for part in lookup.split("__"))
        return not hidden and bool(super().lookup_allowed(lookup, value, request))

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class PersonAdmin(LookOnly):
    """Only who may enter the back office is said here; everything else of a person is said over the API."""

    list_display = ("username", "display_name", "kind", "registration_number", "is_active", "is_staff", "is_superuser")
    list_filter = ("kind", "is_active", "is_staff")
    search_fields = ("username", "display_name")
    readonly_fields = ("username", "display_name", "kind", "registration_number", "email", "is_active", "last_login")
    fields = (*readonly_fields, "is_staff", "is_superuser")

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return bool(getattr(request.user, "is_superuser", False))


def register_all() -> None:
    """Register every table of ours that no app registers itself."""
    admin.site.site_header = admin.site.site_title = "opticshop back office"
    admin.site.index_title = "Records"
    if admin.site.is_registered(Group):  # roles are memberships; a group opens nothing
        admin.site.unregister(Group)
    if not admin.site.is_registered(User):
        admin.site.register(User, PersonAdmin)
    for model in apps.get_models():
        if model._meta.app_label == "oauth2_provider":  # tokens and clients are made by nobody's hand
            if admin.site.is_registered(model):
                admin.site.unregister(model)
        elif not model.__module__.startswith("opticshop.") or admin.site.is_registered(model):
            continue
        shown = [field for field in model._meta.fields if not SECRET.search(field.name)]
        columns = [field.name for field in shown if not isinstance(field, _LONG)][:8]
        related = [f.name for f in model._meta.fields if f.is_relation and f.name in columns]
        attributes = {
            "list_display": columns,
            "list_select_related": related or False,
            "exclude": [field.name for field in model._meta.fields if field not in shown],
        }
        admin.site.register(model, type(f"{model.__name__}LookOnly", (LookOnly,), attributes))


register_all()
