"""The twins of ``tests.access`` and those who ask, each with a bearer token."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core.signals import request_finished, request_started
from django.db import close_old_connections

from tests.access.conftest import ALL_SCOPES, holder, token_client, twins, walk
from tests.access.operations import ROLES
from tests.access.walking import Walk

from .driving import ALL, Fuzz

__all__ = ["twins", "walk"]


@pytest.fixture
def fuzz(walk: Walk) -> Iterator[Fuzz]:
    mill = walk.twins.branches["mill"]
    people = {role: holder(f"{role}-fuzzing", mill, role) for role in ROLES}
    people[ALL] = holder("all-fuzzing", mill, *ROLES)
    headers = {role: token_client(user, ALL_SCOPES)._credentials for role, user in people.items()}
    # As Django's own test client does: the transaction of the test must not lose its connection.
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield Fuzz(walk, {role: {"Authorization": each["HTTP_AUTHORIZATION"]} for role, each in headers.items()})
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)
