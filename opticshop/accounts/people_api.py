"""The people who work here, for managers and head office; and everybody's own password."""

from __future__ import annotations

import uuid
from typing import Any, cast

import django_filters
from django.contrib.auth import update_session_auth_hash
from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.actor import Actor
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.requests import actor_of

from . import selectors, services
from .access import SignedInFully, sign_in_in_use
from .models import Role, User
from .people_serializers import (
    InvitationOut,
    PasswordChangeIn,
    PersonActIn,
    PersonAmendIn,
    PersonOut,
    PersonReasonIn,
    PersonRegisteredOut,
    PersonRegisterIn,
    RoleIn,
)
from .permissions import AccountPermission


class PersonSearch(django_filters.FilterSet):
    name = django_filters.CharFilter(
        method="by_name", label="Part of the name or user name; several words narrow further"
    )
    branch = django_filters.UUIDFilter(method="by_branch", label="Has a role at this branch")
    role = django_filters.ChoiceFilter(method="by_role", choices=Role.choices, label="Holds this role")
    is_active = YesNoFilter(label="false: only those who have left")

    class Meta:
        model = User
        fields: list[str] = []

    def by_name(self, queryset: Any, name: str, value: str) -> Any:
        return selectors.people_named(queryset, value)

    def by_branch(self, queryset: Any, name: str, value: uuid.UUID) -> Any:
        return queryset.filter(id__in=self._seen().filter(branch_id=value).values("user"))

    def by_role(self, queryset: Any, name: str, value: str) -> Any:
        return queryset.filter(id__in=self._seen().filter(role=value).values("user"))

    def _seen(self) -> Any:
        """Only by roles that the caller may see: anything else would tell of other branches."""
        return selectors.memberships_visible_to(actor_of(self.request))


class PersonViewSet(ResourceViewSet):
    """The people who work here, with their roles at the branches you may see."""

    tag, noun = "People", "person"
    selector = staticmethod(selectors.people_shown_to)
    filterset_class = PersonSearch
    permissions = {
        "list": AccountPermission.VIEW,
        "retrieve": AccountPermission.VIEW,
        "create": AccountPermission.MANAGE,
        "partial_update": AccountPermission.MANAGE,
        "deactivate": AccountPermission.MANAGE,
        "reactivate": AccountPermission.MANAGE,
        "grant": AccountPermission.MANAGE,
        "revoke": AccountPermission.MANAGE,
        "invite": AccountPermission.MANAGE,
        "reset_second_factor": AccountPermission.MANAGE,
        "lift": AccountPermission.MANAGE,
    }
    inputs = {
        "create": PersonRegisterIn,
        "partial_update": PersonAmendIn,
        "deactivate": PersonReasonIn,
        "reactivate": PersonReasonIn,
        "grant": RoleIn,
        "revoke": RoleIn,
        "invite": PersonActIn,
        "reset_second_factor": PersonActIn,
        "lift": PersonActIn,
    }
    outputs = {"create": PersonRegisteredOut, "invite": InvitationOut}
    output = PersonOut
    statuses = {"invite": 201}
    idempotent = {"create": "never", "invite": "never"}
    summaries = {
        "list": "Who works here",
        "retrieve": "Get one person",
        "create": "Register a person; the answer tells, once, the link by which they choose a password",
        "partial_update": "Change what a person is called or registered as",
        "deactivate": "The person has left: whatever they were signed in with ends now",
        "reactivate": "The person is back, with the roles of before",
        "grant": "Give a role at a branch, or in every branch",
        "revoke": "Take a role away",
        "invite": "A new link to choose a password; the present password works no more",
        "reset_second_factor": "The phone is lost: the next sign-in leads to a new second factor",
        "lift": "Let a person try again who was stopped after wrong passwords, codes or PINs",
    }

    def create(self, request: Request) -> Response:
        given = self.read_input()
        roles = [(each["role"], _branch(self.actor, each["branch"])) for each in given.pop("roles")]
        user, invited = services.person_register(actor=self.actor, roles=roles, **given)
        person = self._shown(user)
        person.invitation = invited  # type: ignore[attr-defined]
        return self.answer(person, status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        user, changes = self.get_object(), self.read_input()
        services.person_amend(actor=self.actor, user=user, version=self.expected_version(), changes=changes)
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def deactivate(self, request: Request, pk: str) -> Response:
        user = self.get_object()
        services.person_deactivate(actor=self.actor, user=user, **self.read_input())
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def reactivate(self, request: Request, pk: str) -> Response:
        user = self.get_object()
        services.person_reactivate(actor=self.actor, user=user, **self.read_input())
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def grant(self, request: Request, pk: str) -> Response:
        user, given = self.get_object(), self.read_input()
        branch = _branch(self.actor, given["branch"])
        services.membership_grant(actor=self.actor, user=user, role=given["role"], branch=branch)
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def revoke(self, request: Request, pk: str) -> Response:
        user, given = self.get_object(), self.read_input()
        branch = _branch(self.actor, given["branch"])
        services.membership_revoke(actor=self.actor, user=user, role=given["role"], branch=branch)
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def invite(self, request: Request, pk: str) -> Response:
        user = self.get_object()
        self.read_input()
        return self.answer(services.invitation_make(actor=self.actor, user=user), status=201)

    @action(detail=True, methods=["post"], url_path="second-factor/reset")
    def reset_second_factor(self, request: Request, pk: str) -> Response:
        user = self.get_object()
        self.read_input()
        services.second_factor_reset(actor=self.actor, user=user)
        return self.answer(self._shown(user))

    @action(detail=True, methods=["post"])
    def lift(self, request: Request, pk: str) -> Response:
        user = self.get_object()
        self.read_input()
        services.attempts_lift(actor=self.actor, user=user)
        return self.answer(self._shown(user))

    def _shown(self, user: User) -> User:
        """As it is now; also a person whom the last change has taken out of the caller's sight."""
        rows: QuerySet[User] = selectors.with_details(self.actor, User.objects.filter(pk=user.pk))
        return rows.get()


def _branch(actor: Actor, branch_id: uuid.UUID | None) -> Branch | None:
    return branch_get_for(actor, branch_id, permission=AccountPermission.MANAGE) if branch_id else None


class MyPasswordViewSet(ApiViewSet):
    """Your own password."""

    tag, noun = "Sign-in", "my password"
    permissions = {"create": "signed-in"}
    permission_classes = [SignedInFully]
    inputs = {"create": PasswordChangeIn}
    idempotent = {"create": "never"}
    statuses = {"create": 204}
    summaries = {"create": "Change your password; you are signed out everywhere but here"}

    def create(self, request: Request) -> Response:
        given = self.read_input()
        services.password_change(
            actor=self.actor,
            user=cast(User, request.user),
            old=given["old_password"],
            new=given["new_password"],
            keep=sign_in_in_use(request),
        )
        if request.auth is None:
            update_session_auth_hash(request._request, cast(User, request.user))
        return Response(status=204)


routes = [("people", PersonViewSet), ("me/password", MyPasswordViewSet)]
