"""The FHIR bases in the OpenAPI document, written from the tables that serve them.

``exchange_documented`` is a postprocessing hook of drf-spectacular: the views speak in plain FHIR resources, so there
is no serializer to read. Failures are OperationOutcome, not problem+json.
"""

from __future__ import annotations

from typing import Any

from .outcomes import ISSUE_CODES
from .searching import LARGEST_COUNT, PARAMETERS
from .vocabulary import (
    BASES,
    EYES,
    LENS,
    MEDIA_TYPE,
    PATIENT,
    PRACTITIONER,
    PRODUCT_SYSTEM,
    RELEASES,
    VISION_PRESCRIPTION,
    Release,
    Status,
)

TAG = "Clinical exchange"
_REFERENCE = "#/components/schemas/"
_TEXT, _NUMBER = {"type": "string"}, {"type": "number"}
_LENS_PRODUCT = {"coding": [{"system": PRODUCT_SYSTEM, "code": LENS}]}

_PATIENT_EXAMPLE = {
    "resourceType": PATIENT,
    "id": "p1",
    "identifier": [{"system": "https://sender.example/patient", "value": "P-17"}],
    "name": [{"family": "Alder", "given": ["Wren"]}],
    "birthDate": "1984-03-09",
    "managingOrganization": {"identifier": {"system": "https://opticshop.example/fhir/branch", "value": "MILL"}},
}
_PRACTITIONER_EXAMPLE = {
    "resourceType": PRACTITIONER,
    "id": "d1",
    "name": [{"text": "R. Sorrel (invented)"}],
}
_VISION_PRESCRIPTION_EXAMPLE = {
    "resourceType": VISION_PRESCRIPTION,
    "identifier": [{"system": "https://sender.example/prescription", "value": "RX-1"}],
    "status": Status.ACTIVE.value,
    "created": "2026-02-20",
    "patient": {"identifier": {"system": "https://sender.example/patient", "value": "P-17"}},
    "dateWritten": "2026-02-20",
    "prescriber": {"display": "R. Sorrel (invented)"},
    "lensSpecification": [
        {
            "product": _LENS_PRODUCT,
            "eye": "right",
            "sphere": -3.5,
            "cylinder": -2.0,
            "axis": 175,
            "prism": [{"amount": 1.0, "base": "in"}],
            "add": 2.0,
        },
        {"product": _LENS_PRODUCT, "eye": "left", "sphere": 0, "add": 2.0},
    ],
}
BUNDLE_EXAMPLE = {
    "resourceType": "Bundle",
    "type": "transaction",
    "entry": [
        {"resource": resource, "request": {"method": "POST", "url": resource["resourceType"]}}
        for resource in (
            _PATIENT_EXAMPLE,
            _PRACTITIONER_EXAMPLE,
            _VISION_PRESCRIPTION_EXAMPLE
            | {"patient": {"reference": "Patient/p1"}, "prescriber": {"reference": "Practitioner/d1"}},
        )
    ],
}


def exchange_documented(result: dict[str, Any], **kwargs: Any) -> dict[str, Any]:
    """Add the paths and shapes of every release."""
    schemas = result.setdefault("components", {}).setdefault("schemas", {})
    schemas.update(_SCHEMAS)
    result["components"]["schemas"] = dict(sorted(schemas.items()))
    for release in RELEASES:
        result["paths"].update(_paths(release))
    return result


# --- shapes -----------------------------------------------------------------------------------------------------------


def _shape(required: tuple[str, ...] = (), words: str = "", **properties: Any) -> dict[str, Any]:
    found: dict[str, Any] = {"type": "object", "properties": properties}
    if required:
        found["required"] = list(required)
    return found | ({"description": words} if words else {})


def _list(of: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": of, "minItems": 1}


def _named(kind: str) -> dict[str, str]:
    return {"$ref": f"{_REFERENCE}Fhir{kind}"}


_IDENTIFIER = _shape(system=_TEXT, value=_TEXT)
_CODED = _shape(coding=_list(_shape(system=_TEXT, code=_TEXT)))
_REFERRED = _shape(reference=_TEXT, identifier=_IDENTIFIER, display=_TEXT)
_LENS_SPECIFICATION = _shape(
    ("product", "eye"),
    "One lens. Plus and minus cylinder are kept as they are written; plano is sphere 0.",
    product=_CODED,
    eye={"type": "string", "enum": list(EYES)},
    sphere=_NUMBER,
    cylinder=_NUMBER,
    axis={"type": "integer", "minimum": 1, "maximum": 180},
    prism=_list(_shape(("amount", "base"), amount=_NUMBER, base={"type": "string", "enum": list(BASES)})),
    add=_NUMBER,
    note=_list(_shape(("text",), text=_TEXT)),
)
_PERSON = {"resourceType": _TEXT, "id": _TEXT, "identifier": _list(_IDENTIFIER)}
_NAME = _shape(text=_TEXT, family=_TEXT, given=_list(_TEXT))

_SCHEMAS: dict[str, Any] = {
    "FhirPatient": _shape(
        ("resourceType", "name"),
        "A customer: https://hl7.org/fhir/R4/patient.html, no more of it than is needed.",
        **_PERSON,
        name=_list(_NAME),
        telecom=_list(_shape(system=_TEXT, value=_TEXT)),
        birthDate=_TEXT,
        address=_list(_shape(text=_TEXT, line=_list(_TEXT), postalCode=_TEXT, country=_TEXT)),
        managingOrganization=_REFERRED,
    ),
    "FhirPractitioner": _shape(
        ("resourceType", "name"),
        "The prescriber of one prescription: https://hl7.org/fhir/R4/practitioner.html.",
        **_PERSON,
        name=_list(_NAME),
    ),
    "FhirVisionPrescription": _shape(
        ("resourceType", "status", "created", "patient", "dateWritten", "prescriber", "lensSpecification"),
        "A prescription for spectacles: https://hl7.org/fhir/R4/visionprescription.html. Powers are JSON numbers.",
        **_PERSON,
        status={"type": "string", "enum": [status.value for status in Status]},
        created=_TEXT,
        patient=_REFERRED,
        dateWritten=_TEXT,
        prescriber=_REFERRED,
        lensSpecification=_list(_LENS_SPECIFICATION),
    ),
    "FhirBundle": _shape(
        ("resourceType", "type"),
        "https://hl7.org/fhir/R4/bundle.html",
        resourceType=_TEXT,
        type=_TEXT,
        total={"type": "integer"},
        link=_list(_shape(("relation", "url"), relation=_TEXT, url=_TEXT)),
        entry=_list(_shape(fullUrl=_TEXT, resource={"type": "object"}, request={"type": "object"})),
    ),
    "FhirCapabilityStatement": _shape(
        ("resourceType", "fhirVersion", "rest"),
        "https://hl7.org/fhir/R4/capabilitystatement.html",
        resourceType=_TEXT,
        fhirVersion=_TEXT,
        rest=_list({"type": "object"}),
    ),
    "FhirOperationOutcome": _shape(
        ("resourceType", "issue"),
        "What went wrong, and where: https://hl7.org/fhir/R4/operationoutcome.html.",
        resourceType=_TEXT,
        issue=_list(
            _shape(
                ("severity", "code"),
                severity={"type": "string", "enum": ["error", "warning", "information"]},
                code=_TEXT,
                details=_CODED,
                diagnostics=_TEXT,
                expression=_list(_TEXT),
            )
        ),
    ),
}


# --- operations -------------------------------------------------------------------------------------------------------

_READS = (401, 403, 406, 429)
_WORDS = {
    400: "Not readable, or a search that cannot be carried out",
    401: "Not signed in",
    403: "Not allowed",
    404: "Not there, or not yours",
    406: "Not acceptable",
    409: "The identifier is known for something else",
    413: "Too large",
    415: "Not FHIR JSON",
    422: "Readable, but not acceptable; every issue has the path of its element",
    429: "Too many requests",
    503: "Busy; try again",
}


def _paths(release: Release) -> dict[str, Any]:
    base = f"/fhir/{release.slug}"

    def operation(name: str, summary: str, answer: str, failures: tuple[int, ...], **more: Any) -> dict[str, Any]:
        return _operation(
            f"fhir_{release.slug}_{name}", f"{summary} (FHIR {release.version})", answer, failures, **more
        )

    one = [{"name": "id", "in": "path", "required": True, "schema": {"type": "string", "format": "uuid"}}]
    reading = {PATIENT: "customers", PRACTITIONER: "prescriptions", VISION_PRESCRIPTION: "prescriptions"}
    found: dict[str, Any] = {
        f"{base}/metadata": {
            "get": operation("metadata", "What this base can do", "CapabilityStatement", (406, 429))
            | {"security": [{}]}
        },
        f"{base}/": {
            "post": operation(
                "transaction",
                "Take in a patient with prescriptions, all or nothing, once per identifier",
                "Bundle",
                (400, *_READS, 404, 409, 413, 415, 422, 503),
                body=("Bundle", BUNDLE_EXAMPLE),
                scopes=("exchange:write", "prescriptions:write", "customers:write", "customers:read"),
            )
        },
    }
    for kind, area in reading.items():
        found[f"{base}/{kind}/{{id}}"] = {
            "get": operation(
                f"{kind.lower()}_read",
                f"Get one {kind}",
                kind,
                (*_READS, 404),
                parameters=one,
                scopes=("exchange:read", f"{area}:read"),
            )
        }
    for kind in PARAMETERS:
        found[f"{base}/{kind}"] = {
            "get": operation(
                f"{kind.lower()}_search",
                f"Search {kind}s, newest first",
                "Bundle",
                (400, *_READS),
                parameters=_search_parameters(kind),
                scopes=("exchange:read", f"{reading[kind]}:read"),
            )
        }
    found[f"{base}/{VISION_PRESCRIPTION}"]["post"] = operation(
        "visionprescription_create",
        "Take in one prescription, once per identifier",
        VISION_PRESCRIPTION,
        (400, *_READS, 404, 409, 413, 415, 422, 503),
        body=(VISION_PRESCRIPTION, _VISION_PRESCRIPTION_EXAMPLE),
        scopes=("exchange:write", "prescriptions:write", "customers:read"),
        success={201: "Recorded", 200: "Known already; nothing was written"},
    )
    return found


def _operation(
    operation_id: str,
    summary: str,
    answer: str,
    failures: tuple[int, ...],
    *,
    parameters: list[dict[str, Any]] | None = None,
    body: tuple[str, Any] | None = None,
    scopes: tuple[str, ...] = (),
    success: dict[int, str] | None = None,
) -> dict[str, Any]:
    responses = {
        str(status): {"description": words, "content": {MEDIA_TYPE: {"schema": _named(answer)}}}
        for status, words in (success or {200: "Done"}).items()
    }
    for status in sorted(set(failures) & set(ISSUE_CODES)):
        content = {MEDIA_TYPE: {"schema": _named("OperationOutcome")}}
        responses[str(status)] = {"description": _WORDS[status], "content": content}
    found: dict[str, Any] = {
        "operationId": operation_id,
        "summary": summary,
        "tags": [TAG],
        "security": [{"oauth2": list(scopes)}, {"cookieAuth": []}],
        "responses": responses,
    }
    if parameters:
        found["parameters"] = parameters
    if body:
        kind, example = body
        found["requestBody"] = {
            "required": True,
            "content": {MEDIA_TYPE: {"schema": _named(kind), "examples": {kind: {"value": example}}}},
        }
    return found


def _search_parameters(kind: str) -> list[dict[str, Any]]:
    known: list[tuple[str, str, dict[str, Any]]] = [(one.name, one.words, _TEXT) for one in PARAMETERS[kind]]
    page: dict[str, Any] = {"type": "integer", "minimum": 0}
    known += [("_count", f"Resources on a page; 0 only counts, more than {LARGEST_COUNT} are cut to that", page)]
    found = [
        {"name": name, "in": "query", "description": words, "schema": schema} for name, words, schema in sorted(known)
    ]
    words = "handling=strict refuses an unknown parameter; otherwise it is left out and told of"
    return [*found, {"name": "Prefer", "in": "header", "description": words, "schema": _TEXT}]
