"""Coming from a release that kept tokens in clear: they go on working, and lie there no more."""

from __future__ import annotations

import datetime as dt
from importlib import import_module

import pytest
from django.db import connection
from django.utils import timezone
from oauth2_provider.models import AccessToken, Application, Grant, RefreshToken

from opticshop.accounts.models import Membership, ServiceAccount
from tests.factories import UserFactory

from .signing import App, browser_of, everything_kept, me, service_token

pytestmark = pytest.mark.django_db


def migrate(name: str) -> None:
    [operation] = import_module(f"opticshop.accounts.migrations.{name}").Migration.operations
    with connection.cursor() as cursor:
        for statement in operation.forwards[connection.vendor]:
            cursor.execute(statement)


def test_tokens_in_clear_go_and_work_on(clerk):
    app = App()
    app.sign_in(browser_of(clerk))
    later = timezone.now() + dt.timedelta(minutes=10)
    application = Application.objects.get()
    access = AccessToken.objects.create(
        user=clerk, application=application, token="an-access-token", scope="orders:read", expires=later
    )
    RefreshToken.objects.create(user=clerk, application=application, token="a-refresh-token", access_token=access)
    Grant.objects.create(user=clerk, application=application, code="a-code", expires=later, redirect_uri="x")
    secrets = ("an-access-token", "a-refresh-token", "a-code")
    assert all(secret in everything_kept() for secret in secrets)
    migrate("0010_tokens_are_digests")
    assert not [secret for secret in secrets if secret in everything_kept()]
    assert me("an-access-token").status_code == 200
    assert app.refresh({"refresh_token": "a-refresh-token"}).status_code == 200


def test_clients_that_were_there_become_service_accounts(mill):
    for name, branch in (("service-books", None), ("service-idle", mill)):
        user = UserFactory(username=name, kind="service")
        if branch is None:
            Membership.objects.create(user=user, role="bookkeeper", branch=None)
        for secret in ("first secret", "second secret"):
            Application.objects.create(
                name=name,
                user=user,
                client_id=f"{name} {secret}",
                client_type="confidential",
                authorization_grant_type="client-credentials",
                client_secret=secret,
            )
    assert service_token("service-books first secret", "first secret", "ledger:read").status_code == 401
    migrate("0008_clients_become_service_accounts")
    made = list(ServiceAccount.objects.order_by("application_id"))
    assert [account.role for account in made] == ["bookkeeper", "bookkeeper", "counter", "counter"]
    assert made[0].name == "service-books"
    assert len({account.name for account in made}) == 4
    assert all(account.holds() for account in made)
    for secret in ("first secret", "second secret"):
        assert service_token(f"service-books {secret}", secret, "ledger:read").status_code == 200
