"""Read-only pages for head office: nothing about a prescription or a measurement is changed or deleted by hand."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from .models import DispensingOverride, Measurement, PrescribedEye, Prescription


class _ReadOnly:
    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class PrescribedEyeInline(_ReadOnly, admin.TabularInline):
    model = PrescribedEye
    extra = 0


@admin.register(Prescription)
class PrescriptionAdmin(_ReadOnly, admin.ModelAdmin):
    list_display = ["id", "branch", "customer_id", "issued_on", "expires_on", "supersedes_id"]
    list_select_related = ["branch"]
    ordering = ["-id"]
    inlines = [PrescribedEyeInline]


@admin.register(DispensingOverride)
class DispensingOverrideAdmin(_ReadOnly, admin.ModelAdmin):
    list_display = ["id", "branch", "prescription_id", "granted_by", "valid_until", "reason"]
    list_select_related = ["branch", "granted_by"]
    ordering = ["-id"]


@admin.register(Measurement)
class MeasurementAdmin(_ReadOnly, admin.ModelAdmin):
    list_display = ["id", "branch", "customer_id", "taken_at", "method", "pd_mm"]
    list_select_related = ["branch"]
    ordering = ["-id"]
