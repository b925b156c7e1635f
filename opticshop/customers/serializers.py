from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiExample, extend_schema_field, extend_schema_serializer
from rest_framework import serializers

from opticshop.core import clock
from opticshop.core.requests import actor_of
from opticshop.core.serializers import StrictSerializer, TextField

from .contacting import address_of, ownership_to_confirm
from .merged import visible_survivor
from .models import ConsentChange, ContactRefusal, Customer, Purpose, Source, StatusChange, Way

#: What a person at the counter or an importer may say; ``merge`` is said by merging only.
STATED_SOURCES = [(value, label) for value, label in Source.choices if value != Source.MERGE]

_EXAMPLE = {
    "branch": "01890a5d-ac96-774b-bcce-b302099a8057",
    "given_name": "Wren",
    "family_name": "Alder",
    "birth_date": "1984-03-09",
    "email": "wren.alder@example.org",
    "phone": "+44 20 7946 0018",
    "preferred_channel": "email",
}


class RefusalOut(serializers.ModelSerializer[ContactRefusal]):
    class Meta:
        model = ContactRefusal
        fields = ["way", "purpose"]
        read_only_fields = fields


class CustomerOut(serializers.ModelSerializer[Customer]):
    refusals = RefusalOut(many=True, read_only=True, help_text="What the person does not want, by which way")
    wrong_addresses = serializers.SerializerMethodField(help_text="Ways whose present address is known to be wrong")
    merged_into = serializers.SerializerMethodField(
        help_text="The record that speaks for this person; null for one that speaks for itself, or is not yours to see"
    )
    is_merged = serializers.SerializerMethodField(help_text="Merged records are only read")
    is_restricted = serializers.SerializerMethodField(
        help_text="The person asked that the record is not used: no messages, no orders, no changes"
    )
    to_confirm = serializers.SerializerMethodField(
        help_text="What is to be asked about who is told, of a young person with a guardian; empty for nothing"
    )

    @extend_schema_field(serializers.ListField(child=serializers.ChoiceField(Way.choices)))
    def get_wrong_addresses(self, customer: Customer) -> list[str]:
        return [row.way for row in customer.wrong_addresses.all() if row.address == address_of(customer, row.way)]

    def get_merged_into(self, customer: Customer) -> UUID | None:
        return visible_survivor(actor_of(self.context["request"]), customer)

    def get_is_merged(self, customer: Customer) -> bool:
        return customer.merged_into_id is not None

    def get_is_restricted(self, customer: Customer) -> bool:
        return customer.restricted_at is not None

    def get_to_confirm(self, customer: Customer) -> str:
        return ownership_to_confirm(customer, clock.today(customer.branch.time_zone))

    class Meta:
        model = Customer
        fields = [
            "id",
            "branch",
            "given_name",
            "family_name",
            "birth_date",
            "email",
            "phone",
            "phone_e164",
            "address",
            "postcode",
            "country",
            "language",
            "guardian",
            "is_sight_impaired",
            "preferred_channel",
            "wants_recalls",
            "wants_marketing",
            "refusals",
            "wrong_addresses",
            "deceased_on",
            "moved_away_on",
            "contact_confirmed_on",
            "to_confirm",
            "is_merged",
            "is_restricted",
            "merged_into",
            "note",
            "created_at",
            "version",
        ]
        read_only_fields = fields


class NearDuplicateOut(serializers.ModelSerializer[Customer]):
    class Meta:
        model = Customer
        fields = ["id", "given_name", "family_name", "birth_date", "phone", "email"]
        read_only_fields = fields


class CustomerRegisteredOut(CustomerOut):
    near_duplicates = NearDuplicateOut(many=True, read_only=True)

    class Meta(CustomerOut.Meta):
        fields = [*CustomerOut.Meta.fields, "near_duplicates"]
        read_only_fields = fields


class _CustomerDetails(StrictSerializer):
    birth_date = serializers.DateField(required=False, allow_null=True)
    email = serializers.EmailField(required=False, allow_blank=True)
    phone = TextField(required=False, allow_blank=True, max_length=40)
    address = TextField(required=False, allow_blank=True, max_length=500)
    postcode = TextField(required=False, allow_blank=True, max_length=12)
    country = serializers.RegexField(r"^[A-Z]{2}$", required=False)
    language = serializers.RegexField(r"^[a-z]{2}(-[A-Z]{2})?$", required=False)
    guardian = serializers.UUIDField(required=False, allow_null=True)
    is_sight_impaired = serializers.BooleanField(required=False)
    preferred_channel = serializers.ChoiceField(Customer.Channel.choices, required=False)
    wants_recalls = serializers.BooleanField(required=False)
    wants_marketing = serializers.BooleanField(required=False)
    contact_confirmed_on = serializers.DateField(required=False, allow_null=True)
    note = TextField(required=False, allow_blank=True, max_length=2000)
    consent_source = serializers.ChoiceField(
        STATED_SOURCES, required=False, help_text="How we learnt what the person wants to hear"
    )
    consent_wording = TextField(
        required=False, max_length=300, help_text="Version of the words the person agreed to, or the evidence"
    )


@extend_schema_serializer(examples=[OpenApiExample("A customer", value=_EXAMPLE)])
class CustomerRegisterIn(_CustomerDetails):
    branch = serializers.UUIDField()
    given_name = TextField(max_length=80)
    family_name = TextField(max_length=80)


@extend_schema_serializer(examples=[OpenApiExample("A new phone number", value={"phone": "020 7946 0021"})])
class CustomerAmendIn(_CustomerDetails):
    given_name = TextField(max_length=80, required=False)
    family_name = TextField(max_length=80, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if not attrs.keys() - {"consent_source", "consent_wording"}:
            raise serializers.ValidationError("Name at least one field to change.", code="empty")
        return attrs


@extend_schema_serializer(
    examples=[OpenApiExample("A stop", value={"way": "text", "purpose": "marketing", "source": "reply"})]
)
class ContactChoiceIn(StrictSerializer):
    way = serializers.ChoiceField(Way.choices)
    purpose = serializers.ChoiceField(Purpose.choices)
    source = serializers.ChoiceField(STATED_SOURCES, help_text="How we learnt it")  # type: ignore[assignment]
    wording = TextField(required=False, allow_blank=True, max_length=300, default="")


@extend_schema_serializer(examples=[OpenApiExample("Bounced", value={"way": "email", "reason": "Came back twice"})])
class AddressWrongIn(StrictSerializer):
    way = serializers.ChoiceField(Way.choices)
    reason = TextField(max_length=300)


@extend_schema_serializer(examples=[OpenApiExample("It is right after all", value={"way": "email"})])
class AddressRightIn(StrictSerializer):
    way = serializers.ChoiceField(Way.choices)


@extend_schema_serializer(examples=[OpenApiExample("Known by this day", value={"on": "2026-02-20"})])
class StatusIn(StrictSerializer):
    on = serializers.DateField()


@extend_schema_serializer(
    examples=[OpenApiExample("A mistake", value={"what": "moved_away_on", "reason": "It was the neighbour"})]
)
class StatusCorrectIn(StrictSerializer):
    what = serializers.ChoiceField(StatusChange.What.choices)
    reason = TextField(max_length=300)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Registered twice",
            value={"duplicate": "01890a5d-ac96-774b-bcce-b302099a8057", "reason": "Registered twice"},
        )
    ]
)
class MergeIn(StrictSerializer):
    duplicate = serializers.UUIDField()
    reason = TextField(max_length=300)
    confirm_birth_date_differs = serializers.BooleanField(default=False)


@extend_schema_serializer(examples=[OpenApiExample("A mistake", value={"reason": "They are mother and daughter"})])
class UnmergeIn(StrictSerializer):
    reason = TextField(max_length=300)


class ConsentChangeOut(serializers.ModelSerializer[ConsentChange]):
    class Meta:
        model = ConsentChange
        fields = [
            "id",
            "created_at",
            "what",
            "way",
            "purpose",
            "was",
            "now",
            "source",
            "wording",
            "changed_by",
            "changed_by_label",
        ]
        read_only_fields = fields


class StatusChangeOut(serializers.ModelSerializer[StatusChange]):
    class Meta:
        model = StatusChange
        fields = ["id", "created_at", "what", "was", "now", "reason", "changed_by", "changed_by_label"]
        read_only_fields = fields


class DuplicatePersonOut(NearDuplicateOut):
    """A record, as far as it is needed to see whether it is the same person."""

    class Meta(NearDuplicateOut.Meta):
        fields = [*NearDuplicateOut.Meta.fields, "branch", "created_at", "version"]
        read_only_fields = fields


class AlikeOut(serializers.Serializer[Any]):
    customer = DuplicatePersonOut()
    why = serializers.ListField(child=serializers.ChoiceField(["phone", "email", "name_and_birth_date"]))


class DuplicateOut(serializers.ModelSerializer[Customer]):
    customer = DuplicatePersonOut(source="*")
    alike = AlikeOut(many=True, help_text="Older records, the oldest five for each reason")

    class Meta:
        model = Customer
        fields = ["customer", "alike"]
