from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiExample, extend_schema, extend_schema_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet
from opticshop.core.errors import Invalid, NotFound
from opticshop.core.renderers import PdfRenderer
from opticshop.core.serializers import StrictSerializer, TextField
from opticshop.documents.errors import DocumentError
from opticshop.documents.label_codes import opaque_code
from opticshop.documents.label_faces import tray_label
from opticshop.documents.labels import LAYOUTS, labels_pdf

from .permissions import WorkshopPermission
from .selectors import jobs_visible_to


class TrayLabelRefused(Invalid):
    """The labels cannot be printed as asked: no such place on the sheet, or too small a size."""

    code = "workshop.tray_label_refused"
    title = "The tray labels cannot be printed like this"


@extend_schema_serializer(
    examples=[OpenApiExample("A tray", value={"jobs": ["MILL-J-2026-00012"], "layout": "a4-3x8", "start": 4})]
)
class TrayLabelsIn(StrictSerializer):
    jobs = serializers.ListField(child=TextField(max_length=40), min_length=1, max_length=200, help_text="Job numbers.")
    layout = serializers.ChoiceField([(layout.key, layout.words) for layout in LAYOUTS.values()])
    start = serializers.IntegerField(
        min_value=1, max_value=200, default=1, help_text="First free place of a part-used sheet, row by row from 1."
    )


class TrayLabelViewSet(ApiViewSet):
    """Labels of job trays: the number of the job and its code, nothing about the person it is for."""

    tag, noun = "Jobs", "tray label sheet"
    permissions = {"create": WorkshopPermission.VIEW}
    inputs = {"create": TrayLabelsIn}
    renderer_classes = [PdfRenderer]
    summaries = {"create": "Print labels of job trays as PDF, at true size"}

    @extend_schema(responses={(200, PdfRenderer.media_type): OpenApiTypes.BINARY})
    def create(self, request: Request) -> Response:
        asked = self.read_input()
        known = set(jobs_visible_to(self.actor).filter(number__in=asked["jobs"]).values_list("number", flat=True))
        for number in asked["jobs"]:
            if number not in known:
                raise NotFound(f"There is no job {number} here.", field="jobs")
        try:
            labels = [tray_label(opaque_code(number), job_number=number, tray_code=number) for number in asked["jobs"]]
            sheet = labels_pdf(labels, LAYOUTS[asked["layout"]], start=asked["start"], title="Labels: trays")
        except DocumentError as error:
            raise TrayLabelRefused(error.detail, field=error.field) from error
        return Response(
            sheet, headers={"Content-Disposition": 'inline; filename="tray-labels.pdf"', "Cache-Control": "no-store"}
        )


routes = [("labels/trays", TrayLabelViewSet)]
