from __future__ import annotations

import uuid
from typing import IO, Any

import django_filters
from django.core.exceptions import RequestDataTooBig
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework.decorators import action
from rest_framework.parsers import BaseParser
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from opticshop.branches.models import Branch
from opticshop.branches.selectors import branch_get_for
from opticshop.core.actor import system
from opticshop.core.api import ResourceViewSet
from opticshop.core.filters import YesNoFilter
from opticshop.core.renderers import PdfRenderer
from opticshop.core.serializers import ProblemOut
from opticshop.core.throttling import AnonymousThrottle
from opticshop.customers.filters import CustomerFilter

from . import selectors, services
from .kinds import all_kinds
from .models import ChannelChoice, Form, LetterBatch, Message, MessageTemplate, Reply
from .permissions import CorrespondencePermission
from .serializers import (
    BatchMakeIn,
    BatchPostedIn,
    BatchVoidIn,
    CallbackOut,
    ChannelChoiceChangeIn,
    ChannelChoiceOut,
    ChannelChooseIn,
    LetterBatchOut,
    MessageKindOut,
    MessageOut,
    MessageStepIn,
    MessageTemplateOut,
    ReplyOut,
    TemplateChangeIn,
    TemplatePreviewIn,
    TemplatePreviewOut,
    TemplateWriteIn,
)
from .templating import allowed_placeholders, example_values

VIEW, MANAGE = CorrespondencePermission.VIEW, CorrespondencePermission.MANAGE
CARRIER = system("carrier")
CALLBACK_BYTES = 64 * 1024


class MessageFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    kind = django_filters.CharFilter(field_name="kind")
    state = django_filters.ChoiceFilter(choices=Message.State.choices)
    delivery = django_filters.ChoiceFilter(choices=Message.Delivery.choices)
    batch = django_filters.UUIDFilter(field_name="batch_id")
    subject_ref = django_filters.CharFilter(field_name="subject_ref", label="What it is about: orders/<id>")

    class Meta:
        model = Message
        fields: list[str] = []


class MessageViewSet(ResourceViewSet):
    """What customers were told, or could not be told, and why."""

    tag, noun = "Messages", "message"
    selector = staticmethod(selectors.messages_visible_to)
    filterset_class = MessageFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "send_again": MANAGE, "withdraw": MANAGE}
    inputs = {"send_again": MessageStepIn, "withdraw": MessageStepIn}
    output = MessageOut
    summaries = {
        "list": "Find messages to customers",
        "retrieve": "Get one message",
        "send_again": "Have a failed message sent again, under the same id so that its carrier can refuse a twin",
        "withdraw": "Take back a message that waits",
    }

    @action(detail=True, methods=["post"], url_path="send-again")
    def send_again(self, request: Request, pk: str) -> Response:
        message = self.get_object()
        return self.answer(services.message_send_again(actor=self.actor, message=message, **self.read_input()))

    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        message = self.get_object()
        return self.answer(services.message_withdraw(actor=self.actor, message=message, **self.read_input()))


class ChannelChoiceFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    way = django_filters.ChoiceFilter(choices=ChannelChoice.Way.choices)

    class Meta:
        model = ChannelChoice
        fields: list[str] = []


class ChannelChoiceViewSet(ResourceViewSet):
    """By which channel a branch sends e-mail, texts and letters, and at what pace."""

    tag, noun = "Messages", "channel choice"
    selector = staticmethod(selectors.channel_choices_visible_to)
    filterset_class = ChannelChoiceFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": MANAGE, "partial_update": MANAGE}
    inputs = {"create": ChannelChooseIn, "partial_update": ChannelChoiceChangeIn}
    output = ChannelChoiceOut
    summaries = {
        "list": "Find the channels that branches chose; without one the branch's own message channel serves",
        "retrieve": "Get one channel choice",
        "create": "Choose the channel of a branch for a way",
        "partial_update": "Change the channel, its pace, or whether the branch sends by the way",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=MANAGE)
        return self.answer(services.channel_choose(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        choice, version = self.get_object(), self.expected_version()
        return self.answer(
            services.channel_choice_change(actor=self.actor, choice=choice, version=version, changes=self.read_input())
        )


class MessageTemplateFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    kind = django_filters.CharFilter(field_name="kind")
    form = django_filters.ChoiceFilter(choices=Form.choices)
    of_the_group = YesNoFilter(field_name="branch", lookup_expr="isnull", label="Only the group's, or only branches'")

    class Meta:
        model = MessageTemplate
        fields: list[str] = []


class MessageTemplateViewSet(ResourceViewSet):
    """The words of a branch or of the group. Placeholders are written $name; a dollar sign $$."""

    tag, noun = "Messages", "message template"
    selector = staticmethod(selectors.templates_visible_to)
    filterset_class = MessageTemplateFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": MANAGE,
        "partial_update": MANAGE,
        "preview": MANAGE,
        "kinds": VIEW,
    }
    inputs = {"create": TemplateWriteIn, "partial_update": TemplateChangeIn, "preview": TemplatePreviewIn}
    outputs = {"preview": TemplatePreviewOut, "kinds": MessageKindOut}
    output = MessageTemplateOut
    summaries = {
        "list": "Find templates",
        "retrieve": "Get one template",
        "create": "Write a template for a branch, or for the group",
        "partial_update": "Change its words, or switch it off so that the next in order is used",
        "preview": "See a message as a branch would write it; nothing is kept or sent",
        "kinds": "The kinds of message there are, with what may stand in their texts",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = self._branch(body.pop("branch", None))
        return self.answer(services.template_write(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        template, version = self.get_object(), self.expected_version()
        return self.answer(
            services.template_change(actor=self.actor, template=template, version=version, changes=self.read_input())
        )

    @action(detail=False, methods=["post"])
    def preview(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body.pop("branch"), permission=MANAGE)
        return self.answer(services.template_preview(actor=self.actor, branch=branch, **body))

    @extend_schema(filters=False, responses=MessageKindOut(many=True))
    @action(detail=False, methods=["get"], pagination_class=None)
    def kinds(self, request: Request) -> Response:
        rows = [
            {
                "name": kind.name,
                "title": kind.title,
                "purpose": kind.purpose,
                "placeholders": {form: allowed_placeholders(kind, form) for form in Form.values},
                "examples": example_values(kind),
            }
            for kind in all_kinds()
        ]
        return Response(MessageKindOut(rows, many=True).data)

    def _branch(self, branch_id: uuid.UUID | None) -> Branch | None:
        return branch_get_for(self.actor, branch_id, permission=MANAGE) if branch_id else None


class ReplyFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    customer = CustomerFilter(field_name="customer")
    message = django_filters.UUIDFilter(field_name="message_id")
    meaning = django_filters.ChoiceFilter(choices=Reply.Meaning.choices)

    class Meta:
        model = Reply
        fields: list[str] = []


class ReplyViewSet(ResourceViewSet):
    """What people wrote back, and what we took it to mean."""

    tag, noun = "Messages", "reply"
    selector = staticmethod(selectors.replies_visible_to)
    filterset_class = ReplyFilter
    permissions = {"list": VIEW, "retrieve": VIEW}
    output = ReplyOut
    summaries = {
        "list": "Find replies; those that a person has to read with meaning=unclear",
        "retrieve": "Get one reply",
    }


class LetterBatchFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    state = django_filters.ChoiceFilter(choices=LetterBatch.State.choices)

    class Meta:
        model = LetterBatch
        fields: list[str] = []


class LetterBatchViewSet(ResourceViewSet):
    """Letters gathered to one document, printed and posted by a person."""

    tag, noun = "Messages", "letter batch"
    selector = staticmethod(selectors.batches_visible_to)
    filterset_class = LetterBatchFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": MANAGE,
        "document": MANAGE,
        "posted": MANAGE,
        "void": MANAGE,
    }
    inputs = {"create": BatchMakeIn, "posted": BatchPostedIn, "void": BatchVoidIn}
    output = LetterBatchOut
    idempotent = {"create": "required", "posted": "optional", "void": "optional"}
    summaries = {
        "list": "Find batches of letters",
        "retrieve": "Get one batch",
        "create": "Gather the letters that are due at a branch",
        "document": "The document to print (PDF)",
        "posted": "Say that the letters were posted: each is sent",
        "void": "Put the letters back; they wait again",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch = branch_get_for(self.actor, body["branch"], permission=MANAGE)
        return self.answer(services.batch_make(actor=self.actor, branch=branch, channel=body["channel"]), status=201)

    @extend_schema(
        responses={
            (200, PdfRenderer.media_type): OpenApiTypes.BINARY,
            (409, "application/problem+json"): OpenApiResponse(
                ProblemOut, "A letter cannot be printed, or the channel is switched off"
            ),
        }
    )
    @action(detail=True, methods=["get"], renderer_classes=[PdfRenderer])
    def document(self, request: Request, pk: str) -> Response:
        batch = self.get_object()
        headers = {"Content-Disposition": f'attachment; filename="letters-{batch.id}.pdf"'}
        return Response(services.batch_document(actor=self.actor, batch=batch), headers=headers)

    @action(detail=True, methods=["post"])
    def posted(self, request: Request, pk: str) -> Response:
        return self.answer(services.batch_posted(actor=self.actor, batch=self.get_object(), **self.read_input()))

    @action(detail=True, methods=["post"])
    def void(self, request: Request, pk: str) -> Response:
        return self.answer(services.batch_void(actor=self.actor, batch=self.get_object(), **self.read_input()))


class CallbackThrottle(AnonymousThrottle):
    """A carrier calls for each message: more often than a stranger may ask for anything else."""

    scope = "callbacks"
    rate = "6000/min"


class AnyBytes(BaseParser):
    """The body as it came, of any type, because what is signed is its bytes."""

    media_type = "*/*"

    def parse(self, stream: IO[Any], media_type: str | None = None, parser_context: Any = None) -> Any:
        body: bytes = stream.read(CALLBACK_BYTES + 1)
        if len(body) > CALLBACK_BYTES:
            raise RequestDataTooBig
        return body


class ChannelCallbackViewSet(ViewSet):
    """Where carriers say what became of messages and what people wrote back. The channel checks who calls."""

    authentication_classes = []
    permission_classes = [AllowAny]
    throttle_classes = [CallbackThrottle]
    parser_classes = [AnyBytes]
    lookup_field = "channel"
    lookup_value_regex = "[a-z0-9-]{1,80}"

    @extend_schema(
        operation_id="channel_callback",
        tags=["Messages"],
        summary="A carrier reports: delivered, undelivered, or what a person wrote back",
        request=None,
        parameters=[
            OpenApiParameter("channel", OpenApiTypes.STR, OpenApiParameter.PATH, description="Name of the channel"),
            OpenApiParameter("branch", OpenApiTypes.STR, OpenApiParameter.PATH, description="Code of the branch"),
        ],
        responses={
            (200, "application/json"): CallbackOut,
            **{
                (status, "application/problem+json"): OpenApiResponse(ProblemOut, words)
                for status, words in {
                    400: "Not readable",
                    401: "The channel does not believe the call",
                    404: "No such branch or channel",
                    406: "Not acceptable",
                    409: "The present state does not allow this",
                    413: "More than 64 KiB",
                    415: "Never: any type is read",
                    422: "Readable, but not acceptable",
                    429: "Too many requests",
                    503: "Busy; send it again",
                }.items()
            },
        },
        auth=[{}],  # type: ignore[list-item]
    )
    @action(detail=True, methods=["post"], url_path="(?P<branch>[A-Za-z0-9-]{1,8})", url_name="take")
    def take(self, request: Request, channel: str, branch: str) -> Response:
        taken = services.callback_take(
            actor=CARRIER,
            branch_code=branch,
            channel=channel,
            headers=dict(request.headers),
            body=request.data if isinstance(request.data, bytes) else b"",
        )
        return Response(CallbackOut({"taken": taken}).data)


routes = [
    ("messages", MessageViewSet),
    ("channel-choices", ChannelChoiceViewSet),
    ("message-templates", MessageTemplateViewSet),
    ("replies", ReplyViewSet),
    ("letter-batches", LetterBatchViewSet),
    ("channel-callbacks", ChannelCallbackViewSet),
]
