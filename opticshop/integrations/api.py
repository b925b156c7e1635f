from __future__ import annotations

import uuid
from typing import Any

import django_filters
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.urls import replace_query_param

from opticshop.branches.selectors import branch_get_for
from opticshop.core.api import ApiViewSet, ResourceViewSet
from opticshop.core.errors import NotFound

from . import cursors, selectors, services
from .models import WebhookDelivery, WebhookEndpoint
from .permissions import IntegrationPermission
from .serializers import (
    CloudEventOut,
    DeliveriesReplayedOut,
    DeliveriesReplayIn,
    EndpointTestedOut,
    EventPageOut,
    EventsAsked,
    SecretRotateIn,
    WebhookDeliveryOut,
    WebhookEndpointAddIn,
    WebhookEndpointChangeIn,
    WebhookEndpointOut,
    WebhookEndpointSecretOut,
    WebhookStepIn,
)

VIEW, MANAGE = IntegrationPermission.VIEW, IntegrationPermission.MANAGE


class EventViewSet(ApiViewSet):
    """What happened, oldest first, for programs that ask from time to time."""

    tag, noun = "Integrations", "event"
    permissions = {"list": VIEW, "retrieve": VIEW}
    outputs = {"list": EventPageOut, "retrieve": CloudEventOut}
    summaries = {
        "list": "Read what happened after a point, oldest first, as far as you may see it",
        "retrieve": "Get one event",
    }

    @extend_schema(parameters=[EventsAsked], filters=False)
    def list(self, request: Request) -> Response:
        query = EventsAsked(data=request.query_params.dict())
        query.is_valid(raise_exception=True)
        asked = query.validated_data
        page = selectors.feed_page(
            self.actor,
            after=selectors.position_of(self.actor, asked.get("after", "0")),
            size=asked["page_size"],
            types=[word.strip() for word in asked.get("type", "").split(",") if word.strip()],
            branch=branch_get_for(self.actor, asked["branch"], permission=VIEW) if "branch" in asked else None,
        )
        cursor = cursors.cursor_of(page.after)
        address = replace_query_param(request.build_absolute_uri(), "after", cursor)
        events = selectors.cloud_events(page.entries)
        return self.answer({"results": events, "cursor": cursor, "more": page.more, "next": address})

    def retrieve(self, request: Request, pk: str) -> Response:
        try:
            entry = selectors.feed_entry_get_for(self.actor, uuid.UUID(pk))
        except ValueError as error:
            raise NotFound(f"There is no event {pk} here.") from error
        return self.answer(selectors.cloud_events([entry])[0])


class WebhookEndpointFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    state = django_filters.ChoiceFilter(choices=WebhookEndpoint.State.choices)

    class Meta:
        model = WebhookEndpoint
        fields: list[str] = []


class WebhookEndpointViewSet(ResourceViewSet):
    """Addresses that are told what happens."""

    tag, noun = "Integrations", "webhook endpoint"
    selector = staticmethod(selectors.endpoints_visible_to)
    filterset_class = WebhookEndpointFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": MANAGE,
        "partial_update": MANAGE,
        "destroy": MANAGE,
        "pause": MANAGE,
        "resume": MANAGE,
        "rotate_secret": MANAGE,
        "test": MANAGE,
        "replay": MANAGE,
    }
    idempotent = {"create": "never", "rotate_secret": "never", "test": "never"}
    inputs = {
        "create": WebhookEndpointAddIn,
        "partial_update": WebhookEndpointChangeIn,
        "pause": WebhookStepIn,
        "resume": WebhookStepIn,
        "rotate_secret": SecretRotateIn,
        "test": WebhookStepIn,
        "replay": DeliveriesReplayIn,
    }
    outputs = {
        "create": WebhookEndpointSecretOut,
        "rotate_secret": WebhookEndpointSecretOut,
        "test": EndpointTestedOut,
        "replay": DeliveriesReplayedOut,
    }
    output = WebhookEndpointOut
    statuses = {"destroy": 204}
    summaries = {
        "list": "Find webhook endpoints",
        "retrieve": "Get one webhook endpoint",
        "create": "Add a webhook endpoint; its secret is shown in this answer and never again",
        "partial_update": "Change a webhook endpoint",
        "destroy": "Retire a webhook endpoint; its deliveries stay on record",
        "pause": "Send nothing for now; what happens waits in order",
        "resume": "Send again, beginning at once",
        "rotate_secret": "Make a new secret; for a while both sign",
        "test": "Send a trial message now and hear what came of it",
        "replay": "Queue again all after a point of the feed",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        branch_id = body.pop("branch", None)
        branch = branch_get_for(self.actor, branch_id, permission=MANAGE) if branch_id else None
        return self._with_secret(services.endpoint_add(actor=self.actor, branch=branch, **body), status=201)

    def partial_update(self, request: Request, pk: str) -> Response:
        endpoint, version = self.get_object(), self.expected_version()
        changes = self.read_input()
        return self.answer(
            services.endpoint_change(actor=self.actor, endpoint=endpoint, version=version, changes=changes)
        )

    def destroy(self, request: Request, pk: str) -> Response:
        services.endpoint_retire(actor=self.actor, endpoint=self.get_object())
        return Response(status=204)

    @action(detail=True, methods=["post"])
    def pause(self, request: Request, pk: str) -> Response:
        return self._moved(services.endpoint_pause)

    @action(detail=True, methods=["post"])
    def resume(self, request: Request, pk: str) -> Response:
        return self._moved(services.endpoint_resume)

    @action(detail=True, methods=["post"], url_path="rotate-secret")
    def rotate_secret(self, request: Request, pk: str) -> Response:
        endpoint = self.get_object()
        return self._with_secret(services.secret_rotate(actor=self.actor, endpoint=endpoint, **self.read_input()))

    @action(detail=True, methods=["post"])
    def test(self, request: Request, pk: str) -> Response:
        return self._moved(services.endpoint_test)

    @action(detail=True, methods=["post"])
    def replay(self, request: Request, pk: str) -> Response:
        endpoint = self.get_object()
        queued = services.deliveries_replay(actor=self.actor, endpoint=endpoint, **self.read_input())
        return self.answer({"deliveries": queued})

    def _moved(self, move: Any) -> Response:
        endpoint = self.get_object()
        self.read_input()
        return self.answer(move(actor=self.actor, endpoint=endpoint))

    def _with_secret(self, made: services.WithSecret, status: int = 200) -> Response:
        made.endpoint.secret = made.secret  # type: ignore[attr-defined]
        return self.answer(made.endpoint, status=status)


class WebhookDeliveryFilter(django_filters.FilterSet):
    endpoint = django_filters.UUIDFilter(field_name="endpoint_id")
    state = django_filters.ChoiceFilter(choices=WebhookDelivery.State.choices)
    event = django_filters.UUIDFilter(field_name="entry__event_id")

    class Meta:
        model = WebhookDelivery
        fields: list[str] = []


class WebhookDeliveryViewSet(ResourceViewSet):
    """What was sent to whom, each attempt with what came of it. Those given up are found with ?state=dead."""

    tag, noun = "Integrations", "webhook delivery"
    selector = staticmethod(selectors.deliveries_visible_to)
    filterset_class = WebhookDeliveryFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "resend": MANAGE}
    inputs = {"resend": WebhookStepIn}
    output = WebhookDeliveryOut
    summaries = {
        "list": "Find webhook deliveries; those given up with ?state=dead",
        "retrieve": "Get one webhook delivery with its attempts",
        "resend": "Send a dead or a delivered one again",
    }

    @action(detail=True, methods=["post"])
    def resend(self, request: Request, pk: str) -> Response:
        delivery = self.get_object()
        self.read_input()
        return self.answer(services.delivery_resend(actor=self.actor, delivery=delivery))


routes = [
    ("events", EventViewSet),
    ("webhook-endpoints", WebhookEndpointViewSet),
    ("webhook-deliveries", WebhookDeliveryViewSet),
]
