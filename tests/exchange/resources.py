"""FHIR resources to send. The two official examples are transcribed; everything else is invented."""

from __future__ import annotations

import copy
from typing import Any

R4, R5 = "/fhir/r4", "/fhir/r5"
PRODUCT = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"
SENDER = "https://sorrel.example/prescription"
PEOPLE = "https://sorrel.example/patient"
FHIR_JSON = "application/fhir+json"


def product(code: str) -> dict[str, Any]:
    return {"coding": [{"system": PRODUCT, "code": code}]}


#: "General Glasses Example", https://hl7.org/fhir/R4/visionprescription-example.json.html; the digits as printed there.
OFFICIAL_33123 = """{
  "resourceType": "VisionPrescription", "id": "33123",
  "text": {"status": "generated", "div": "<div xmlns=\\"http://www.w3.org/1999/xhtml\\">OD -2.00 SPH</div>"},
  "identifier": [{"system": "http://www.happysight.com/prescription", "value": "15013"}],
  "status": "active", "created": "2014-06-15",
  "patient": {"reference": "Patient/example"}, "dateWritten": "2014-06-15",
  "prescriber": {"reference": "Practitioner/example"},
  "lensSpecification": [
    {"product": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct",
      "code": "lens"}]}, "eye": "right", "sphere": -2.00, "prism": [{"amount": 0.5, "base": "down"}], "add": 2.00},
    {"product": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct",
      "code": "lens"}]}, "eye": "left", "sphere": -1.00, "cylinder": -0.50, "axis": 180,
      "prism": [{"amount": 0.5, "base": "up"}], "add": 2.00}
  ]}"""

#: "General Contacts Example", https://hl7.org/fhir/R4/visionprescription-example-1.json.html, the right eye. Its brand
#: and colour are left out here.
OFFICIAL_33124 = {
    "resourceType": "VisionPrescription",
    "id": "33124",
    "identifier": [{"system": "http://www.happysight.com/prescription", "value": "15014"}],
    "status": "active",
    "created": "2014-06-15",
    "patient": {"reference": "Patient/example"},
    "encounter": {"reference": "Encounter/f001"},
    "dateWritten": "2014-06-15",
    "prescriber": {"reference": "Practitioner/example"},
    "lensSpecification": [
        {
            "product": product("contact"),
            "eye": "right",
            "cylinder": -2.25,
            "axis": 160,
            "add": 1.75,
            "power": -2.75,
            "backCurve": 8.7,
            "diameter": 14.0,
            "duration": {"value": 1, "unit": "month", "system": "http://unitsofmeasure.org", "code": "month"},
            "note": [{"text": "Shade treatment for extreme light sensitivity"}],
        }
    ],
}

_PATIENT = {
    "resourceType": "Patient",
    "id": "example",
    "identifier": [{"system": PEOPLE, "value": "P-17"}],
    "name": [{"family": "Bracken", "given": ["Iris", "May"]}],
    "telecom": [{"system": "phone", "value": "020 7946 0044"}, {"system": "email", "value": "iris@example.org"}],
    "birthDate": "1974-12-25",
    "address": [{"line": ["3 Reed Lane"], "city": "Millrace", "postalCode": "ML1 2AB", "country": "GB"}],
}
_PRACTITIONER = {
    "resourceType": "Practitioner",
    "id": "example",
    "identifier": [{"system": "https://sorrel.example/staff", "value": "23"}],
    "name": [{"family": "Sorrel (invented)", "given": ["Rue"], "prefix": ["Dr"]}],
}


def patient(**more: Any) -> dict[str, Any]:
    return _merged(_PATIENT, more)


def practitioner(**more: Any) -> dict[str, Any]:
    return _merged(_PRACTITIONER, more)


def lens(eye: str, **more: Any) -> dict[str, Any]:
    return _merged({"product": product("lens"), "eye": eye, "sphere": -2.25, "cylinder": -0.5, "axis": 90}, more)


def vision_prescription(customer: Any = None, **more: Any) -> dict[str, Any]:
    """A key given as None is left out; ``customer`` is one of ours."""
    body = {
        "resourceType": "VisionPrescription",
        "identifier": [{"system": SENDER, "value": "RX-1"}],
        "status": "active",
        "created": "2026-02-20T09:30:00+00:00",
        "patient": {"reference": f"Patient/{customer.id}" if customer else "Patient/example"},
        "dateWritten": "2026-02-20",
        "prescriber": {"display": "R. Sorrel (invented)"},
        "lensSpecification": [lens("right"), lens("left", cylinder=None, axis=None)],
    }
    return _merged(body, more)


def bundle(*resources: dict[str, Any], kind: str = "transaction") -> dict[str, Any]:
    """By default the ordinary patient, prescriber and prescription."""
    cast = resources or (
        patient(),
        practitioner(),
        vision_prescription(prescriber={"reference": "Practitioner/example"}),
    )
    entries = [
        {"resource": one, "request": {"method": "POST", "url": one.get("resourceType")}}
        if kind == "transaction"
        else {"resource": one}
        for one in cast
    ]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


def issues(response: Any, status: int) -> list[dict[str, Any]]:
    """The issues of an OperationOutcome."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == FHIR_JSON
    outcome = response.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert outcome["issue"]
    return list(outcome["issue"])


def refused(response: Any, status: int = 422) -> tuple[str, str]:
    """(code, path) of the first issue."""
    first = issues(response, status)[0]
    return first["code"], first.get("expression", [""])[0]


def _merged(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    merged = copy.deepcopy(base) | more
    return {name: value for name, value in merged.items() if value is not None}
