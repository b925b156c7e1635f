"""Inspections under way, and photographs of pairs."""

from __future__ import annotations

import hashlib
from typing import Any

import django_filters
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ResourceViewSet
from opticshop.core.errors import NotFound
from opticshop.core.parsers import BoundedMultiPartParser
from opticshop.instruments.selectors import instrument_get_for
from opticshop.workshop.selectors import job_get_for

from . import photographs, selectors, services
from .models import InspectionDraft, Photograph
from .permissions import QualityPermission
from .serializers import (
    DraftConcludeIn,
    DraftGiveUpIn,
    DraftLooksIn,
    DraftOpenIn,
    DraftReadingIn,
    DraftStrikeIn,
    InspectionDraftOut,
    InspectionOut,
    PhotographIn,
    PhotographOut,
)

VIEW, INSPECT = QualityPermission.VIEW, QualityPermission.INSPECT


class DraftFilter(django_filters.FilterSet):
    branch = django_filters.UUIDFilter(field_name="branch_id")
    job = django_filters.UUIDFilter(field_name="job_id")
    state = django_filters.ChoiceFilter(choices=InspectionDraft.State.choices)

    class Meta:
        model = InspectionDraft
        fields: list[str] = []


class InspectionDraftViewSet(ResourceViewSet):
    """Inspections under way: every reading is saved as it is taken, read again where wanted, then concluded."""

    tag, noun = "Inspections", "inspection under way"
    selector = staticmethod(selectors.drafts_visible_to)
    filterset_class = DraftFilter
    permissions = {
        "list": VIEW,
        "retrieve": VIEW,
        "create": INSPECT,
        "readings": INSPECT,
        "strike": INSPECT,
        "looks": INSPECT,
        "conclude": INSPECT,
        "give_up": INSPECT,
    }
    inputs = {
        "create": DraftOpenIn,
        "readings": DraftReadingIn,
        "strike": DraftStrikeIn,
        "looks": DraftLooksIn,
        "conclude": DraftConcludeIn,
        "give_up": DraftGiveUpIn,
    }
    outputs = {"conclude": InspectionOut}
    output = InspectionDraftOut
    statuses = {"readings": 201, "conclude": 201}
    idempotent = {"create": "optional", "readings": "optional", "conclude": "optional"}
    summaries = {
        "list": "Find inspections under way",
        "retrieve": "Get one with its readings, their means and spreads",
        "create": "Begin an inspection whose readings are added one by one",
        "readings": "Save a reading of one lens or of the pair",
        "strike": "Leave a mistaken reading out, with the reason",
        "looks": "Save what was looked at",
        "conclude": "Judge the means; the answer is the inspection",
        "give_up": "Give it up; nothing is judged",
    }

    def create(self, request: Request) -> Response:
        body = self.read_input()
        job = job_get_for(self.actor, body.pop("job"))
        return self._draft(services.draft_open(actor=self.actor, job=job, **body), status=201)

    @action(detail=True, methods=["post"])
    def readings(self, request: Request, pk: str) -> Response:
        draft, body = self.get_object(), self.read_input()
        key = body.pop("instrument", None)
        instrument = None if key is None else instrument_get_for(self.actor, key)
        [(subject, values)] = body.items()
        services.reading_add(actor=self.actor, draft=draft, subject=subject, values=values, instrument=instrument)
        return self._draft(draft, status=201)

    @action(detail=True, methods=["post"])
    def strike(self, request: Request, pk: str) -> Response:
        draft, body = self.get_object(), self.read_input()
        services.reading_strike(actor=self.actor, draft=draft, reading_id=body["reading"], reason=body["reason"])
        return self._draft(draft)

    @action(detail=True, methods=["post"])
    def looks(self, request: Request, pk: str) -> Response:
        draft = self.get_object()
        services.looks_add(actor=self.actor, draft=draft, **self.read_input())
        return self._draft(draft)

    @action(detail=True, methods=["post"])
    def conclude(self, request: Request, pk: str) -> Response:
        found = services.draft_conclude(actor=self.actor, draft=self.get_object(), **self.read_input())
        return self.answer(selectors.inspection_get_for(self.actor, found.id))

    @action(detail=True, methods=["post"], url_path="give-up")
    def give_up(self, request: Request, pk: str) -> Response:
        draft = self.get_object()
        services.draft_give_up(actor=self.actor, draft=draft, **self.read_input())
        return self._draft(draft)

    def _draft(self, draft: InspectionDraft, status: int | None = None) -> Response:
        """The draft as it stands now, read through the selector again."""
        return self.answer(selectors.draft_get_for(self.actor, draft.id), status=status)


class PictureRenderer(BaseRenderer):
    """Lets a client ask for pictures; problems go out as JSON."""

    media_type = "image/*"
    format = "image"

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        return JSONRenderer().render(data)


class PhotographFilter(django_filters.FilterSet):
    job = django_filters.UUIDFilter(field_name="job_id")
    inspection = django_filters.UUIDFilter(field_name="inspection_id")
    draft = django_filters.UUIDFilter(field_name="draft_id")

    class Meta:
        model = Photograph
        fields: list[str] = []


class PhotographViewSet(ResourceViewSet):
    """Photographs of pairs at their inspection. The pictures lie outside the web root and are served here only."""

    tag, noun = "Inspections", "inspection photograph"
    selector = staticmethod(selectors.photographs_visible_to)
    parser_classes = [BoundedMultiPartParser]
    filterset_class = PhotographFilter
    permissions = {"list": VIEW, "retrieve": VIEW, "create": INSPECT, "image": VIEW}
    inputs = {"create": PhotographIn}
    output = PhotographOut
    summaries = {
        "list": "Find photographs",
        "retrieve": "Get what is known of one photograph",
        "create": "Attach a photograph (multipart/form-data)",
        "image": "Get the picture",
    }

    def most_upload_bytes(self) -> int:
        return photographs.MAX_BYTES

    def create(self, request: Request) -> Response:
        body = self.read_input()
        of: Any
        if "inspection" in body:
            of = selectors.inspection_get_for(self.actor, body["inspection"])
        else:
            of = selectors.draft_get_for(self.actor, body["draft"])
        self.actor.require(INSPECT, of.branch_id)
        if body["file"].size > photographs.MAX_BYTES:
            raise photographs.too_many_bytes(body["file"].size)
        photograph = services.photograph_attach(
            actor=self.actor, of=of, data=body["file"].read(), caption=body["caption"]
        )
        return self.answer(photograph, status=201)

    @extend_schema(responses={(200, "image/*"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[JSONRenderer, PictureRenderer])
    def image(self, request: Request, pk: str) -> HttpResponse:
        photograph = self.get_object()
        path = photographs.path_of(photograph.branch_id, photograph.id, photograph.content_type)
        try:
            content = path.read_bytes()
        except FileNotFoundError as error:
            raise NotFound(f"The picture of photograph {photograph.id} is not on this server.") from error
        if hashlib.sha256(content).hexdigest() != photograph.sha256:
            raise NotFound(f"The picture of photograph {photograph.id} was changed outside this service.")
        return HttpResponse(
            content,
            content_type=photograph.content_type,
            headers={
                "Content-Disposition": f'inline; filename="{path.name}"',
                "X-Content-Type-Options": "nosniff",
                "Content-Security-Policy": "default-src 'none'; sandbox",
                "Cache-Control": "private, no-store",
            },
        )


routes = [("inspection-drafts", InspectionDraftViewSet), ("inspection-photographs", PhotographViewSet)]
