"""The twins and those who ask: each role at one branch, all of them at once, nobody, and tokens of every kind."""

from __future__ import annotations

import datetime as dt
import gc
import logging
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import pytest
from oauth2_provider.models import AccessToken
from rest_framework.test import APIClient

from opticshop.accounts.models import Membership, User
from opticshop.branches.models import Branch
from opticshop.config.access import OAUTH_SCOPES
from tests.factories import BranchFactory, UserFactory

from .operations import ROLES, operations
from .twins import LEFT_OUT, CannotMake, Twins, key_of, our_models, second_rows
from .walking import Walk

LATER, LONG_AGO = dt.datetime(2100, 1, 1, tzinfo=dt.UTC), dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
SIDES = ("mill", "quay")


@pytest.fixture
def twins(db: Any) -> Twins:
    branches = {
        side: BranchFactory(id=key_of(side, 0), code=side.upper(), name=f"{side}mark opticians (invented)")
        for side in (*SIDES, "third")
    }
    made = Twins(branches)
    cannot = []
    for model in our_models():
        if model._meta.label not in LEFT_OUT:
            for side in SIDES:
                try:
                    made.row(model, side)
                except CannotMake as error:
                    cannot.append(str(error))
    second_rows(made)
    assert not cannot, "say in twins.DETAILS what the row needs, or in LEFT_OUT why it is not made:\n" + "\n".join(
        cannot
    )
    return made


@pytest.fixture
def walk(twins: Twins) -> Iterator[Walk]:
    walk = Walk(twins)
    operations()
    ours = logging.getLogger("opticshop")
    ours.addHandler(walk.failure)
    logging.disable(logging.WARNING)  # thousands of refusals are what is wanted here
    gc.freeze()  # the document is large and stays
    yield walk
    logging.disable(logging.NOTSET)
    ours.removeHandler(walk.failure)


@lru_cache(maxsize=1)
def _middleware() -> Any:
    """Put together once: each client would do it again."""
    handler = APIClient().handler
    handler.load_middleware()
    return handler._middleware_chain


def nobody() -> APIClient:
    client = APIClient(raise_request_exception=False)
    client.handler._middleware_chain = _middleware()
    return client


def client_of(user: User) -> APIClient:
    client = nobody()
    client.force_authenticate(user)
    return client


def holder(name: str, branch: Branch | None, *roles: str) -> User:
    user = UserFactory(username=name, display_name=name)
    for role in roles:
        Membership.objects.create(user=user, role=role, branch=branch)
    return user


def token_client(user: User, scopes: set[str], expires: dt.datetime = LATER) -> APIClient:
    """Signed in with a real bearer token."""
    token = f"token-{AccessToken.objects.count()}"
    AccessToken.objects.create(user=user, token=token, expires=expires, scope=" ".join(sorted(scopes)))
    client = nobody()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    return client


@pytest.fixture
def at_mill(twins: Twins) -> dict[str, APIClient]:
    """Each role, held at one branch only."""
    return {role: client_of(holder(f"{role}-at-mill", twins.branches["mill"], role)) for role in ROLES}


@pytest.fixture
def all_at_mill(twins: Twins) -> User:
    """Somebody with every role, but at one branch only: sees the most that one branch may see."""
    return holder("all-at-mill", twins.branches["mill"], *ROLES)


ALL_SCOPES = set(OAUTH_SCOPES)
