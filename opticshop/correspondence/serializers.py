from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiExample, extend_schema_serializer
from rest_framework import serializers

from opticshop.core.serializers import StrictSerializer, TextField

from .models import ChannelChoice, Form, LetterBatch, Message, MessageTemplate, Reply

_BRANCH = "01890a5d-ac96-774b-bcce-b302099a8057"


class MessageOut(serializers.ModelSerializer[Message]):
    ways = serializers.SerializerMethodField(help_text="Ways to try after the one that the person prefers")
    ways_refused = serializers.SerializerMethodField(help_text="Ways by which the carrier refused it")

    class Meta:
        model = Message
        fields = [
            "id",
            "branch",
            "customer",
            "told",
            "kind",
            "purpose",
            "subject_ref",
            "way",
            "ways",
            "ways_refused",
            "channel",
            "to",
            "language",
            "form",
            "subject",
            "body",
            "state",
            "due_at",
            "attempts",
            "attempted_at",
            "sent_at",
            "provider_reference",
            "delivery",
            "delivery_at",
            "awaits_batch",
            "batch",
            "detail",
            "created_at",
        ]
        read_only_fields = fields

    def get_ways(self, message: Message) -> list[str]:
        return [way for way in message.ways.split(",") if way]

    def get_ways_refused(self, message: Message) -> list[str]:
        return [way for way in message.ways_refused.split(",") if way]


@extend_schema_serializer(examples=[OpenApiExample("Reason", value={"reason": "The carrier had lost it"})])
class MessageStepIn(StrictSerializer):
    reason = TextField(max_length=200)


class ChannelChoiceOut(serializers.ModelSerializer[ChannelChoice]):
    class Meta:
        model = ChannelChoice
        fields = ["id", "branch", "way", "channel", "per_minute", "is_active", "created_at", "version"]
        read_only_fields = fields


class _Pace(StrictSerializer):
    per_minute = serializers.IntegerField(
        required=False, allow_null=True, min_value=1, max_value=100_000, help_text="Empty for no limit"
    )
    is_active = serializers.BooleanField(required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample("Texts", value={"branch": _BRANCH, "way": "text", "channel": "text-gateway", "per_minute": 60})
    ]
)
class ChannelChooseIn(_Pace):
    branch = serializers.UUIDField()
    way = serializers.ChoiceField(ChannelChoice.Way.choices)
    channel = TextField(max_length=80)


@extend_schema_serializer(examples=[OpenApiExample("Slower", value={"per_minute": 30})])
class ChannelChoiceChangeIn(_Pace):
    channel = TextField(max_length=80, required=False)


class MessageTemplateOut(serializers.ModelSerializer[MessageTemplate]):
    class Meta:
        model = MessageTemplate
        fields = ["id", "branch", "kind", "language", "form", "subject", "body", "is_active", "created_at", "version"]
        read_only_fields = fields


class _Language(serializers.RegexField):
    def __init__(self, **kwargs: Any) -> None:
        super().__init__(r"^[A-Za-z]{2,3}(-[A-Za-z0-9]{2,6})?$", max_length=10, help_text="BCP 47", **kwargs)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "A text in Welsh",
            value={
                "branch": _BRANCH,
                "kind": "ready_for_collection",
                "language": "cy",
                "form": "text",
                "body": "$branch_name: mae archeb $order_number yn barod.",
            },
        )
    ]
)
class TemplateWriteIn(StrictSerializer):
    branch = serializers.UUIDField(required=False, allow_null=True, help_text="Empty: for the whole group")
    kind = TextField(max_length=40)
    language = _Language()
    form = serializers.ChoiceField(Form.choices)
    subject = TextField(max_length=200, required=False, allow_blank=True, trim_whitespace=False)
    body = TextField(max_length=4000)
    is_active = serializers.BooleanField(required=False)


@extend_schema_serializer(examples=[OpenApiExample("Switched off", value={"is_active": False})])
class TemplateChangeIn(StrictSerializer):
    subject = TextField(max_length=200, required=False, allow_blank=True, trim_whitespace=False)
    body = TextField(max_length=4000, required=False)
    is_active = serializers.BooleanField(required=False)


@extend_schema_serializer(
    examples=[
        OpenApiExample(
            "Words not yet kept",
            value={
                "branch": _BRANCH,
                "kind": "ready_for_collection",
                "form": "text",
                "body": "Order $order_number is ready at $branch_name.",
                "values": {"order_number": "O-2026-0042"},
            },
        )
    ]
)
class TemplatePreviewIn(StrictSerializer):
    branch = serializers.UUIDField()
    kind = TextField(max_length=40)
    form = serializers.ChoiceField(Form.choices)
    language = _Language(required=False)
    subject = TextField(max_length=200, required=False, allow_blank=True, trim_whitespace=False)
    body = TextField(max_length=4000, required=False, help_text="Words to try; without them those in force")
    values = serializers.DictField(
        child=TextField(max_length=200), required=False, help_text="What is not given is filled with examples"
    )


class TextLengthOut(serializers.Serializer[Any]):
    encoding = serializers.ChoiceField(["gsm7", "ucs2"])
    units = serializers.IntegerField(help_text="Septets of GSM 7-bit, or 16-bit units of UCS-2 (3GPP TS 23.038)")
    segments = serializers.IntegerField(help_text="Parts in which it is sent; each is charged")


class TemplatePreviewOut(serializers.Serializer[Any]):
    language = serializers.CharField()
    subject = serializers.CharField()
    body = serializers.CharField()
    length = TextLengthOut(allow_null=True, help_text="Of a text message")
    words_from = serializers.ChoiceField(["as_given", "branch", "group", "built_in"], help_text="Whose words they are")
    placeholders = serializers.ListField(child=serializers.CharField(), help_text="What may stand in this form")


class MessageKindOut(serializers.Serializer[Any]):
    name = serializers.CharField()
    title = serializers.CharField()
    purpose = serializers.ChoiceField(Message.Purpose.choices)
    placeholders = serializers.DictField(
        child=serializers.ListField(child=serializers.CharField()), help_text="By form: what may stand in it"
    )
    examples = serializers.DictField(child=serializers.CharField())


class ReplyOut(serializers.ModelSerializer[Reply]):
    class Meta:
        model = Reply
        fields = [
            "id",
            "branch",
            "channel",
            "message",
            "customer",
            "sender",
            "text",
            "meaning",
            "received_at",
            "created_at",
        ]
        read_only_fields = fields


class LetterBatchOut(serializers.ModelSerializer[LetterBatch]):
    class Meta:
        model = LetterBatch
        fields = [
            "id",
            "branch",
            "channel",
            "count",
            "state",
            "made_by",
            "posted_on",
            "closed_by",
            "closed_reason",
            "created_at",
        ]
        read_only_fields = fields


@extend_schema_serializer(
    examples=[OpenApiExample("Letters of today", value={"branch": _BRANCH, "channel": "letter-batch"})]
)
class BatchMakeIn(StrictSerializer):
    branch = serializers.UUIDField()
    channel = TextField(max_length=80)


@extend_schema_serializer(examples=[OpenApiExample("Posted", value={"posted_on": "2026-03-02"})])
class BatchPostedIn(StrictSerializer):
    posted_on = serializers.DateField(required=False, help_text="Today where it is not said")


@extend_schema_serializer(examples=[OpenApiExample("Put back", value={"reason": "The printer ate them"})])
class BatchVoidIn(StrictSerializer):
    reason = TextField(max_length=200)


class CallbackOut(serializers.Serializer[Any]):
    taken = serializers.IntegerField(help_text="How many of its parts were new")
