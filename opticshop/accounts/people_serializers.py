from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import Invitation, Role, User
from .serializers import MembershipOut

_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"


class PersonOut(serializers.ModelSerializer[User]):
    memberships = MembershipOut(
        source="shown_memberships", many=True, read_only=True, help_text="Those at the branches you may see"
    )
    needs_second_factor = serializers.BooleanField(read_only=True, help_text="A role of the person asks for one")
    has_second_factor = serializers.BooleanField(read_only=True)
    is_invited = serializers.BooleanField(read_only=True, help_text="A link to choose a password has not been used yet")

    class Meta:
        model = User
        fields = [
            "id",
            "username",
            "display_name",
            "registration_number",
            "email",
            "is_active",
            "memberships",
            "needs_second_factor",
            "has_second_factor",
            "is_invited",
            "last_login",
            "version",
        ]
        read_only_fields = fields


class InvitationOut(serializers.Serializer[Any]):
    """Told this once: hand it to the person, and to nobody else."""

    url = serializers.URLField()
    purpose = serializers.ChoiceField(Invitation.Purpose.choices)
    expires_at = serializers.DateTimeField()


class PersonRegisteredOut(PersonOut):
    invitation = InvitationOut()

    class Meta(PersonOut.Meta):
        fields = [*PersonOut.Meta.fields, "invitation"]
        read_only_fields = fields


@extend_schema_serializer(examples=[OpenApiExample("A role at a branch", value={"role": "counter", "branch": _BRANCH})])
class RoleIn(StrictSerializer):
    role = serializers.ChoiceField(Role.choices)
    branch = serializers.UUIDField(allow_null=True, help_text="null: every branch, for roles that span")


class _Details(StrictSerializer):
    registration_number = TextField(required=False, allow_blank=True, max_length=40)
    email = serializers.EmailField(required=False, allow_blank=True)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Somebody new at the counter",
            value={
                "username": "wren",
                "display_name": "Wren Alder",
                "roles": [{"role": "counter", "branch": _BRANCH}],
            },
        )
    ]
)
class PersonRegisterIn(_Details):
    username = serializers.RegexField(r"^[\w.@+-]+\Z", max_length=150)
    display_name = TextField(max_length=120)
    roles = serializers.ListField(child=RoleIn(), max_length=50)


@extend_schema_serializer(examples=[OpenApiExample("A new number", value={"registration_number": "D-00017"})])
class PersonAmendIn(_Details):
    display_name = TextField(required=False, max_length=120)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


@extend_schema_serializer(examples=[OpenApiExample("Leaving", value={"reason": "Has left the company"})])
class PersonReasonIn(StrictSerializer):
    reason = TextField(max_length=300)


@extend_schema_serializer(examples=[OpenApiExample("Do it", value={})])
class PersonActIn(StrictSerializer):
    pass


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A new one",
            value={"old_password": "seven herons by the weir", "new_password": "nine herons on the roof"},
        )
    ]
)
class PasswordChangeIn(StrictSerializer):
    old_password = serializers.CharField(max_length=400, trim_whitespace=False, write_only=True)
    new_password = serializers.CharField(max_length=400, trim_whitespace=False, write_only=True)
