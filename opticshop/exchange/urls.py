"""Routes below ``/fhir/``: the same for each release. What is not here is an OperationOutcome too."""

from __future__ import annotations

from django.urls import path, re_path

from . import api
from .vocabulary import PATIENT, PRACTITIONER, R4, RELEASES, VISION_PRESCRIPTION, Release


def _routes(release: Release) -> list[tuple[str, type[api.FhirView]]]:
    return [
        ("", api.Base),
        ("/", api.Base),
        ("/metadata", api.Metadata),
        (f"/{PATIENT}", api.PatientSearch),
        (f"/{PATIENT}/<str:key>", api.PatientRead),
        (f"/{PRACTITIONER}/<str:key>", api.PractitionerRead),
        (f"/{VISION_PRESCRIPTION}", api.VisionPrescriptionSearch),
        (f"/{VISION_PRESCRIPTION}/<str:key>", api.VisionPrescriptionRead),
    ]


urlpatterns = [
    *(
        path(f"{release.slug}{route}", view.as_view(release=release))
        for release in RELEASES
        for route, view in _routes(release)
    ),
    re_path(r"^.*$", api.Nowhere.as_view(release=R4)),
]
