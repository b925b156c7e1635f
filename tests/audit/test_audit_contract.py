"""Nothing is left out of the trail by forgetting: each exception is a line of ``config/audited.py`` with its reason."""

from __future__ import annotations

from functools import cache

import pytest
from django.apps import apps
from django.db import connection
from django.urls import get_resolver
from rest_framework import serializers

from opticshop.audit import triggers
from opticshop.audit.shape import SECRET, audited, ours, person_path, policy
from opticshop.core.api import ApiViewSet

#: Fields that tell something of a person (GDPR, article 4(1) and (15)); ids of customers are pseudonyms, 4(5).
PERSONAL = {
    "customer", "customers", "given_name", "family_name", "birth_date", "prescription", "prescriptions", "order",
    "collected_by",
}  # fmt: skip


@cache
def viewsets():
    found = {}

    def walk(patterns):
        for pattern in patterns:
            if hasattr(pattern, "url_patterns"):
                walk(pattern.url_patterns)
            elif hasattr(pattern.callback, "cls") and issubclass(pattern.callback.cls, ApiViewSet):
                found[pattern.callback.cls.__name__] = pattern.callback.cls

    walk(get_resolver().url_patterns)
    return found


def names_in(serializer, depth=0):
    fields = getattr(serializer, "child", serializer)
    for name, field in getattr(fields, "fields", {}).items():
        yield name
        if depth < 4 and isinstance(field, serializers.BaseSerializer):
            yield from names_in(field, depth + 1)


def tables():
    return {
        model._meta.db_table: model
        for model in apps.get_models(include_auto_created=True)
        if not model._meta.proxy and ours(model) and model._meta.app_label != "audit"
    }


def test_every_table_is_audited_or_left_out_with_a_reason():
    assert set(audited()) | set(policy().left_out) >= set(tables())
    assert not set(audited()) & set(policy().left_out)
    assert all(len(reason) > 10 for reason in policy().left_out.values())


@pytest.mark.django_db
def test_every_audited_table_has_its_triggers():
    assert set(triggers.present(connection)) == set(triggers.wanted(connection))
    per_table = 1 if connection.vendor == "postgresql" else 3
    assert len(triggers.present(connection)) == per_table * len(audited())


def test_no_table_that_is_about_a_person_is_left_out_unless_it_only_counts_or_repeats():
    about = {table for table, model in tables().items() if person_path(model) is not None}
    left = about & set(policy().left_out)
    assert left <= {"imports_outsidekey", "quality_deviationpoint", "stock_reservation"}


def test_columns_named_in_the_policy_are_there():
    known = {table: {field.column for field in model._meta.local_concrete_fields} for table, model in tables().items()}
    for named in (policy().counters, policy().secrets, policy().plain):
        for table, columns in named.items():
            assert set(columns) <= known[table], table


def test_what_signs_in_or_opens_something_is_hidden_by_its_name():
    hidden = {(shape.table, name) for shape in audited().values() for name in shape.secret}
    assert {
        ("accounts_user", "password"),
        ("oauth2_provider_application", "client_secret"),
        ("oauth2_provider_accesstoken", "token"),
        ("oauth2_provider_accesstoken", "token_checksum"),
        ("oauth2_provider_refreshtoken", "token"),
        ("integrations_webhookendpoint", "sealed_secret"),
        ("pluginhost_pluginactivation", "settings"),
    } <= hidden
    assert SECRET.search("api_token")
    assert not SECRET.search("promotion_code")


def test_a_view_set_that_is_said_to_tell_nothing_of_people_does_not():
    told = []
    for name, reason in policy().impersonal.items():
        assert reason
        viewset = viewsets().get(name)
        assert viewset is not None, f"{name} is not there any more"
        for shape in {viewset.output, *viewset.outputs.values()} - {None}:
            for field in PERSONAL & set(names_in(shape())):
                told.append(f"{name}: {field}")
    assert not told, "\n".join(told)


def test_the_reads_of_every_other_view_set_are_written():
    """By being none of the exceptions; here are those that must never become one."""
    assert not {
        "CustomerViewSet", "PrescriptionViewSet", "MeasurementViewSet", "OrderViewSet", "QuotationViewSet",
        "JobViewSet", "InspectionViewSet", "HandoverViewSet", "CertificateViewSet", "PhotographViewSet",
        "FrameTraceViewSet", "TrayLabelViewSet", "RecallViewSet", "MessageViewSet", "InvoiceViewSet",
        "ReceiptViewSet", "PaymentViewSet", "BalanceViewSet", "StatementViewSet", "SchemeVoucherViewSet",
        "LookBackViewSet", "ImportViewSet", "EventViewSet", "AuditEntryViewSet", "AuditReadViewSet",
    } & set(policy().impersonal)  # fmt: skip
