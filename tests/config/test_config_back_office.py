"""The back office shows every record and changes none but people and roles."""

from __future__ import annotations

import pytest
from django.contrib import admin
from django.test import Client

from opticshop.customers.models import Customer
from tests.factories import CustomerFactory, UserFactory
from tests.signing_in import signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def superuser():
    return signed_in(UserFactory(username="root", is_staff=True, is_superuser=True))


def test_every_table_has_a_page_that_opens(superuser):
    ours = [model for model in admin.site._registry if model.__module__.startswith("opticshop.")]
    assert len(ours) > 25
    for model in ours:
        page = superuser.get(f"/admin/{model._meta.app_label}/{model._meta.model_name}/")
        assert page.status_code == 200, model


def test_records_are_shown_and_not_changed(superuser, mill):
    customer = CustomerFactory(branch=mill, note="before")
    url = f"/admin/customers/customer/{customer.id}/change/"
    assert superuser.get(url).status_code == 200
    assert superuser.post(url, {"note": "after"}).status_code == 403
    assert superuser.get("/admin/customers/customer/add/").status_code == 403
    assert Customer.objects.everywhere("test").get().note == "before"


def test_nobody_else_gets_in(clerk):
    browser = Client()
    browser.force_login(clerk)
    assert browser.get("/admin/").status_code == 302


def test_people_are_not_managed_here_but_for_who_may_enter(superuser, clerk):
    url = f"/admin/accounts/user/{clerk.id}/change/"
    assert superuser.get(f"/admin/accounts/user/{clerk.id}/password/").status_code in {302, 404}
    assert superuser.get("/admin/accounts/user/add/").status_code == 403
    given = {"is_staff": "on", "username": "another", "is_active": ""}
    assert superuser.post(url, given).status_code == 302
    clerk.refresh_from_db()
    assert (clerk.is_staff, clerk.username, clerk.is_active) == (True, "clerk", True)
    entering = signed_in(clerk)
    assert entering.get("/admin/").status_code == 200
    assert entering.post(url, {"is_superuser": "on"}).status_code == 403


@pytest.mark.parametrize("table", ["user/?password__startswith=", "signin/?access_token__token_checksum__startswith="])
def test_a_digest_cannot_be_read_by_filtering(superuser, table):
    assert superuser.get(f"/admin/accounts/{table}argon2").status_code == 400
