"""A prepared query gives what the query itself gives; Django is the reference."""

from __future__ import annotations

import uuid

import pytest
from django.db.models import Count
from django.test.utils import CaptureQueriesContext

from opticshop.accounts.models import Membership, SignIn, User
from opticshop.core.prepared import Prepared
from tests.factories import UserFactory

pytestmark = pytest.mark.django_db
STAND_IN = uuid.UUID(int=2**128 - 1)


def _held_by(user):
    return Membership.objects.select_related("user", "branch").filter(user=user).order_by("id")


def test_rows_come_with_what_they_are_related_to_in_one_query(clerk, manager, connection_watched):
    held = Prepared(_held_by, field=User._meta.pk, stand_in=STAND_IN)
    for user in (clerk, manager, UserFactory()):
        assert [vars(each) | {"_state": None} for each in held.rows(user.pk)] == [
            vars(each) | {"_state": None} for each in _held_by(user)
        ]
    with connection_watched as queries:
        [found] = held.rows(clerk.pk)
        assert (found.user, found.branch.code, found._state.adding) == (clerk, "MILL", False)
    assert len(queries) == 1


def test_tuples_and_absent_relations(clerk):
    roles = Prepared(
        lambda user: Membership.objects.filter(user=user).values_list("role", "branch_id"),
        field=User._meta.pk,
        stand_in=STAND_IN,
    )
    assert roles.rows(clerk.pk) == list(Membership.objects.filter(user=clerk).values_list("role", "branch_id"))
    sign_in = SignIn.objects.create(session_key="k", expire_date="2026-03-02T12:00:00Z")
    prepared = Prepared(
        lambda key: SignIn.objects.select_related("branch").filter(session_key=key),
        field=SignIn._meta.get_field("session_key"),
        stand_in="a key",
    )
    assert (prepared.rows("k"), prepared.rows("k")[0].branch, prepared.rows("other")) == ([sign_in], None, [])


@pytest.mark.parametrize(
    "asked",
    [
        lambda user: Membership.objects.filter(user=user).annotate(n=Count("id")),
        lambda user: Membership.objects.filter(user=user).prefetch_related("branch"),
        lambda user: Membership.objects.filter(user=user).values("role"),
        lambda user: Membership.objects.filter(user=user, id=user),
    ],
)
def test_what_it_cannot_keep_is_refused(asked):
    with pytest.raises(ValueError, match=r"a prepared query|stands once"):
        Prepared(asked, field=User._meta.pk, stand_in=STAND_IN).rows(uuid.uuid4())


@pytest.fixture
def connection_watched():
    from django.db import connection

    return CaptureQueriesContext(connection)
