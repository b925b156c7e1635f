from __future__ import annotations

import uuid

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from opticshop.core.api import ApiViewSet
from opticshop.core.errors import NotFound
from opticshop.core.renderers import PdfRenderer

from .certificates import certificate_for
from .permissions import QualityPermission


class CertificateViewSet(ApiViewSet):
    """The certificate of a passed pair for the wearer's record: readings, limits, verdict, lots, who inspected."""

    tag, noun = "Inspections", "certificate"
    permissions = {"list": QualityPermission.VIEW}
    pagination_class = None
    filter_backends = []
    renderer_classes = [PdfRenderer]
    summaries = {"list": "The certificate of a passed inspection as PDF"}

    @extend_schema(
        operation_id="inspection_certificate",
        parameters=[OpenApiParameter("inspection", OpenApiTypes.UUID, OpenApiParameter.PATH)],
        responses={(200, PdfRenderer.media_type): OpenApiTypes.BINARY},
    )
    def list(self, request: Request, inspection: str) -> Response:
        try:
            key = uuid.UUID(inspection)
        except ValueError as error:
            raise NotFound(f"There is no inspection {inspection} here.", field="inspection") from error
        number, pdf = certificate_for(self.actor, key)
        name = f'inline; filename="certificate-{number}.pdf"'
        return Response(pdf, headers={"Content-Disposition": name, "Cache-Control": "no-store"})


routes = [("inspections/(?P<inspection>[0-9a-fA-F-]{36})/certificate", CertificateViewSet)]
