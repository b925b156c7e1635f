from __future__ import annotations

import datetime as dt
from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core import clock
from opticshop.core.serializers import StrictSerializer, TextField

from .models import Role, ServiceAccount, SignIn
from .pins import LONGEST, SHORTEST
from .services.clients import LONGEST_OVERLAP_HOURS, OVERLAP_HOURS

#: How many days before its end a service account is said to expire soon (common practice, no source).
SOON_DAYS = 14


class SecretField(serializers.CharField):
    """A secret as it was typed: nothing is cut off, and it is never answered."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(trim_whitespace=False, write_only=True, style={"input_type": "password"}, **kwargs)


class SignInOut(serializers.ModelSerializer[SignIn]):
    begun_at = serializers.DateTimeField(source="created_at", help_text="When it began")
    ends_at = serializers.DateTimeField(source="expire_date", help_text="When it ends whatever is asked")
    app = serializers.CharField(source="application.name", default="", help_text="Name of the app or the till")
    is_this = serializers.SerializerMethodField(help_text="Whether this very request came by it")

    class Meta:
        model = SignIn
        fields = ["id", "way", "app", "branch", "address", "device", "begun_at", "seen_at", "ends_at", "is_this"]
        read_only_fields = fields

    def get_is_this(self, sign_in: SignIn) -> bool:
        return sign_in.id == self.context.get("this")


class PersonSignInOut(SignInOut):
    user = serializers.UUIDField(source="user_id")
    username = serializers.CharField(source="user.username")

    class Meta(SignInOut.Meta):
        fields = ["user", "username", *SignInOut.Meta.fields]
        read_only_fields = fields


class EndedOut(serializers.Serializer[Any]):
    ended = serializers.IntegerField(help_text="How many were ended")


@extend_schema_serializer(
    examples=[OpenApiExample("Everywhere", value={"user": "01890a5d-ac96-774b-bcce-b302099a8057"})]
)
class EndAllIn(StrictSerializer):
    user = serializers.UUIDField()


@extend_schema_serializer(examples=[OpenApiExample("Nothing to say", value={})])
class EndOthersIn(StrictSerializer):
    """Nothing to say."""


class PinOut(serializers.Serializer[Any]):
    is_set = serializers.BooleanField()


@extend_schema_serializer(
    examples=[OpenApiExample("A PIN", value={"password": "seven herons by the weir", "pin": "480917"})]
)
class PinIn(StrictSerializer):
    password = SecretField(max_length=4096)
    code = SecretField(
        max_length=64, required=False, default="", allow_blank=True, help_text="Of the second factor, if there is one"
    )
    pin = SecretField(max_length=64, help_text=f"{SHORTEST} to {LONGEST} digits, none that many people take")


@extend_schema_serializer(
    examples=[OpenApiExample("Without a second factor", value={"password": "seven herons by the weir"})]
)
class ConfirmIn(StrictSerializer):
    password = SecretField(max_length=4096)
    code = SecretField(
        max_length=64, required=False, default="", allow_blank=True, help_text="Of the second factor, if there is one"
    )


class ConfirmedOut(serializers.Serializer[Any]):
    confirmed_until = serializers.DateTimeField(help_text="Until then what is sensitive is open")


@extend_schema_serializer(examples=[OpenApiExample("Taking over", value={"username": "alva", "pin": "480917"})])
class OperatorChangeIn(StrictSerializer):
    username = TextField(max_length=150)
    pin = SecretField(max_length=64)


class TakenOverOut(serializers.Serializer[Any]):
    """In the words of RFC 6749, 5.1; there is no refresh token."""

    access_token = serializers.CharField(help_text="Told this once")
    token_type = serializers.CharField(default="Bearer")
    expires_in = serializers.IntegerField(help_text="Seconds, whatever is asked")
    idle_seconds = serializers.IntegerField(help_text="Seconds without a request after which it ends")
    scope = serializers.CharField()
    user = serializers.UUIDField(source="sign_in.user_id")
    display_name = serializers.CharField(source="sign_in.user")
    branch = serializers.UUIDField(source="sign_in.branch_id")


class ServiceAccountOut(serializers.ModelSerializer[ServiceAccount]):
    client_id = serializers.CharField(source="application.client_id")
    scopes = serializers.ListField(
        child=serializers.CharField(), allow_null=True, help_text="null: any, it was made before they were kept"
    )
    branches = serializers.SerializerMethodField(help_text="Where it holds its role; null: in every branch")
    last_used_at = serializers.DateTimeField(source="used_at", allow_null=True, help_text="When it last took a token")
    expires_soon = serializers.SerializerMethodField(help_text=f"Ends within {SOON_DAYS} days, and is not revoked")
    holds = serializers.BooleanField(help_text="Neither revoked nor past its last day")

    class Meta:
        model = ServiceAccount
        fields = [
            "id",
            "name",
            "client_id",
            "role",
            "branches",
            "scopes",
            "expires_on",
            "expires_soon",
            "holds",
            "last_used_at",
            "rotated_at",
            "overlap_ends_at",
            "revoked_at",
            "created_at",
        ]
        read_only_fields = fields

    def get_branches(self, account: ServiceAccount) -> list[str] | None:
        held = [membership.branch_id for membership in account.user.memberships.all()]
        return None if None in held else sorted(map(str, held))

    def get_expires_soon(self, account: ServiceAccount) -> bool:
        return account.holds() and account.expires_on <= clock.now().date() + dt.timedelta(days=SOON_DAYS)


class ServiceAccountToldOut(ServiceAccountOut):
    client_secret = serializers.CharField(help_text="Told this once; it is kept hashed")

    class Meta(ServiceAccountOut.Meta):
        fields = [*ServiceAccountOut.Meta.fields, "client_secret"]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A till",
            value={
                "name": "till-1",
                "role": "counter",
                "branches": ["01890a5d-ac96-774b-bcce-b302099a8057"],
                "scopes": ["customers:read", "orders:read", "billing:write"],
                "expires_on": "2026-12-31",
            },
        )
    ]
)
class ServiceAccountIn(StrictSerializer):
    name = serializers.RegexField(r"^[a-z0-9][a-z0-9 _-]{0,59}$", help_text="Small letters, digits, blanks, - and _")
    role = serializers.ChoiceField(Role.choices)
    branches = serializers.ListField(
        child=serializers.UUIDField(), allow_null=True, max_length=100, help_text="null: in every branch"
    )
    scopes = serializers.ListField(
        child=TextField(max_length=60), required=False, allow_null=True, default=None, max_length=200,
        help_text="At most what the role gives; left out: all of it",
    )  # fmt: skip
    expires_on = serializers.DateField(help_text="Its last day, UTC; at most 366 days from today")


@extend_schema_serializer(examples=[OpenApiExample("Within a day", value={"overlap_hours": 24})])
class RotateIn(StrictSerializer):
    overlap_hours = serializers.IntegerField(
        min_value=0,
        max_value=LONGEST_OVERLAP_HOURS,
        default=OVERLAP_HOURS,
        help_text="How long the secret before holds too; 0: it and all its tokens end at once",
    )


@extend_schema_serializer(examples=[OpenApiExample("Nothing to say", value={})])
class RevokeIn(StrictSerializer):
    """Nothing to say."""
