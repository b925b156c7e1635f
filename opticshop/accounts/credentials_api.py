"""What somebody is signed in with: their own sign-ins, PIN and confirmation; operators at a till; services."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import django_filters
from django.conf import settings
from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.permissions import IsAuthenticated
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, Lists, ResourceViewSet
from opticshop.core.errors import NotFound

from . import credentials_selectors as selectors
from . import services
from .access import SignedInFully, sign_in_in_use, till_sign_in
from .credentials_serializers import (
    ConfirmedOut,
    ConfirmIn,
    EndAllIn,
    EndedOut,
    EndOthersIn,
    OperatorChangeIn,
    PersonSignInOut,
    PinIn,
    PinOut,
    RevokeIn,
    RotateIn,
    ServiceAccountIn,
    ServiceAccountOut,
    ServiceAccountToldOut,
    SignInOut,
    TakenOverOut,
)
from .models import ServiceAccount, SignIn, User
from .oauth import service_account_of
from .permissions import AccountPermission

_TAG = "Sign-in"


class _MarksThis(Lists):
    """Says of each sign-in whether the request came by it."""

    def get_serializer_context(self) -> dict[str, Any]:
        found = dict(super().get_serializer_context())
        if not getattr(self, "swagger_fake_view", False):
            this = sign_in_in_use(self.request)
            found["this"] = this.id if this else None
        return found

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        services.sign_in_end(actor=self.actor, sign_in=self.get_object())
        return Response(status=204)


class MySignInViewSet(_MarksThis):
    """Where you are signed in."""

    tag, noun = _TAG, "my sign-in"
    permissions = {"list": "signed-in", "destroy": "signed-in", "end_others": "signed-in"}
    permission_classes = [SignedInFully]
    inputs = {"end_others": EndOthersIn}
    output = SignInOut
    outputs = {"end_others": EndedOut}
    statuses = {"destroy": 204}
    summaries = {
        "list": "Where I am signed in",
        "destroy": "End one of my sign-ins",
        "end_others": "End all my sign-ins but this one",
    }

    def get_queryset(self) -> QuerySet[SignIn]:
        if getattr(self, "swagger_fake_view", False):
            return SignIn.objects.none()
        return selectors.sign_ins_of(cast(User, self.request.user))

    @action(detail=False, methods=["post"], url_path="end-others")
    def end_others(self, request: Request) -> Response:
        self.read_input()
        user = cast(User, request.user)
        ended = services.sign_ins_end(actor=self.actor, user=user, but=sign_in_in_use(request))
        return Response(EndedOut({"ended": ended}).data)


class SignInSearch(django_filters.FilterSet):
    user = django_filters.UUIDFilter(field_name="user_id", label="Whose")

    class Meta:
        model = SignIn
        fields: list[str] = []


class SignInViewSet(_MarksThis):
    """Where anybody is signed in whom one manages."""

    tag, noun = _TAG, "sign-in"
    permissions = {
        "list": AccountPermission.MANAGE,
        "destroy": AccountPermission.MANAGE,
        "end_all": AccountPermission.MANAGE,
    }
    selector = staticmethod(selectors.sign_ins_visible_to)
    filterset_class = SignInSearch
    inputs = {"end_all": EndAllIn}
    output = PersonSignInOut
    outputs = {"end_all": EndedOut}
    statuses = {"destroy": 204}
    summaries = {
        "list": "Who is signed in, where and since when",
        "destroy": "End a sign-in",
        "end_all": "End all sign-ins of a person",
    }

    @action(detail=False, methods=["post"], url_path="end-all")
    def end_all(self, request: Request) -> Response:
        user = selectors.people_managed_by(self.actor).filter(id=self.read_input()["user"]).first()
        if user is None:
            raise NotFound("There is no such person here.", field="user")
        return Response(EndedOut({"ended": services.sign_ins_end(actor=self.actor, user=user)}).data)


class PinViewSet(ApiViewSet):
    """The PIN by which you take over a shared till."""

    tag, noun = _TAG, "my pin"
    permissions = {"list": "signed-in", "create": "signed-in", "remove": "signed-in"}
    permission_classes = [SignedInFully]
    pagination_class = None
    idempotent = {"create": "never"}
    inputs = {"create": PinIn, "remove": RevokeIn}
    output = PinOut
    statuses = {"create": 200}
    summaries = {
        "list": "Whether I have a PIN",
        "create": "Set or change my PIN",
        "remove": "Take my PIN away",
    }

    def list(self, request: Request) -> Response:
        return self._told()

    def create(self, request: Request) -> Response:
        given, user = self.read_input(), cast(User, request.user)
        if till_sign_in(request) is not None or user.kind != User.Kind.PERSON:
            raise services.SignInFullyFirst()
        proof = services.Proof(self.actor, user, given["password"], given["code"])
        services.pin_set(actor=self.actor, user=user, pin=given["pin"], proof=proof)
        return self._told()

    @action(detail=False, methods=["post"])
    def remove(self, request: Request) -> Response:
        self.read_input()
        services.pin_remove(actor=self.actor, user=cast(User, request.user))
        return self._told()

    def _told(self) -> Response:
        return Response(PinOut({"is_set": selectors.has_pin(cast(User, self.request.user))}).data)


class ConfirmViewSet(ApiViewSet):
    """Says once more who you are, so that sensitive acts open (RFC 9470)."""

    tag, noun = _TAG, "my confirmation"
    permissions = {"create": "signed-in"}
    permission_classes = [IsAuthenticated]
    idempotent = {"create": "never"}
    inputs = {"create": ConfirmIn}
    output = ConfirmedOut
    statuses = {"create": 200}
    summaries = {"create": "Confirm with the password, for five minutes"}

    def create(self, request: Request) -> Response:
        given = self.read_input()
        proof = services.Proof(self.actor, cast(User, request.user), given["password"], given["code"])
        found = services.confirm(actor=self.actor, sign_in=till_sign_in(request), proof=proof)
        return Response(ConfirmedOut(found).data)


class OperatorViewSet(ApiViewSet):
    """Who works at a shared till."""

    tag, noun = _TAG, "operator"
    permissions = {"change": "signed-in"}
    permission_classes = [IsAuthenticated]
    idempotent = {"change": "never"}
    inputs = {"change": OperatorChangeIn}
    output = TakenOverOut
    summaries = {"change": "Take over a till by name and PIN"}

    @action(detail=False, methods=["post"])
    def change(self, request: Request) -> Response:
        given, token = self.read_input(), request.auth
        of_till = token is not None and till_sign_in(request) is None
        made = services.operator_change(
            actor=self.actor,
            till=service_account_of(getattr(token, "application", None)) if of_till else None,
            scope=getattr(token, "scope", ""),
            username=given["username"],
            pin=given["pin"],
        )
        seconds = settings.OPTICSHOP_OPERATOR_SECONDS, settings.OPTICSHOP_OPERATOR_IDLE_SECONDS
        told = SimpleNamespace(
            access_token=made.access_token,
            token_type="Bearer",
            expires_in=seconds[0],
            idle_seconds=seconds[1],
            scope=made.scope,
            sign_in=made.sign_in,
        )
        return Response(TakenOverOut(told).data, headers={"Cache-Control": "no-store"})


class ServiceAccountViewSet(ResourceViewSet):
    """What systems of others, and shared tills, sign in with."""

    tag, noun = _TAG, "service account"
    permissions = {
        "list": AccountPermission.MANAGE,
        "retrieve": AccountPermission.MANAGE,
        "create": AccountPermission.MANAGE,
        "rotate": AccountPermission.MANAGE,
        "revoke": AccountPermission.MANAGE,
    }
    selector = staticmethod(selectors.service_accounts_visible_to)
    idempotent = {"create": "never", "rotate": "never"}
    inputs = {"create": ServiceAccountIn, "rotate": RotateIn, "revoke": RevokeIn}
    output = ServiceAccountOut
    outputs = {"create": ServiceAccountToldOut, "rotate": ServiceAccountToldOut}
    summaries = {
        "list": "List service accounts",
        "retrieve": "Get a service account",
        "create": "Make a service account; its secret is told once",
        "rotate": "Make a new secret; the one before holds on for the overlap",
        "revoke": "End a service account at once",
    }

    def create(self, request: Request) -> Response:
        given = self.read_input()
        wanted = given["branches"]
        made = services.service_account_create(
            actor=self.actor, **{**given, "branches": None if wanted is None else self._branches(wanted)}
        )
        return self._told(made, 201)

    def _branches(self, wanted: Sequence[Any]) -> list[Branch]:
        return [branch_get_for(self.actor, each, permission=AccountPermission.MANAGE) for each in dict.fromkeys(wanted)]

    @action(detail=True, methods=["post"])
    def rotate(self, request: Request, pk: str) -> Response:
        account: ServiceAccount = self.get_object()
        return self._told(services.service_account_rotate(actor=self.actor, account=account, **self.read_input()), 200)

    @action(detail=True, methods=["post"])
    def revoke(self, request: Request, pk: str) -> Response:
        account: ServiceAccount = self.get_object()
        self.read_input()
        return self.answer(services.service_account_revoke(actor=self.actor, account=account))

    def _told(self, made: services.Told, status: int) -> Response:
        made.account.client_secret = made.client_secret  # type: ignore[attr-defined]
        answer = self.answer(made.account, status=status)
        answer["Cache-Control"] = "no-store"
        return answer


credentials_routes = [
    ("me/sign-ins", MySignInViewSet),
    ("me/pin", PinViewSet),
    ("me/confirm", ConfirmViewSet),
    ("operators", OperatorViewSet),
    ("sign-ins", SignInViewSet),
    ("service-accounts", ServiceAccountViewSet),
]
