"""The CapabilityStatement: exactly what works, said from the same tables that the routes are made from."""

from __future__ import annotations

from typing import Any

from .searching import searchable
from .vocabulary import MEDIA_TYPE, PATIENT, PRACTITIONER, VISION_PRESCRIPTION, Release

#: The day on which what is offered last changed.
CHANGED_ON = "2026-11-27"

#: Resource -> interactions offered. ``api.ROUTES`` serves these and no others; a test walks both.
INTERACTIONS: dict[str, tuple[str, ...]] = {
    PATIENT: ("read", "search-type"),
    PRACTITIONER: ("read",),
    VISION_PRESCRIPTION: ("read", "search-type", "create"),
}

_WORDS = {
    PATIENT: "A customer: name, birth date, ways to be reached, home branch. Nothing else is told.",
    PRACTITIONER: "The prescriber as recorded on one prescription, whose id it has. Not a register of people.",
    VISION_PRESCRIPTION: (
        "A prescription for spectacles, never edited: superseded is cancelled. Contact lenses are refused. What is "
        "taken in needs an identifier with a system, by which it is recorded once."
    ),
}


def capability_statement(release: Release, base: str, software_version: str) -> dict[str, Any]:
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": CHANGED_ON,
        "kind": "instance",
        "software": {"name": "opticshop", "version": software_version},
        "implementation": {"description": "Prescriptions for spectacles of a group of optical shops", "url": base},
        "fhirVersion": release.version,
        "format": [MEDIA_TYPE, "json"],
        "rest": [
            {
                "mode": "server",
                "security": {"description": "OAuth 2.0 bearer tokens; see /docs/ of this service."},
                "resource": [_resource(name) for name in INTERACTIONS],
                "interaction": [{"code": "transaction"}],
            }
        ],
    }


def _resource(name: str) -> dict[str, Any]:
    found: dict[str, Any] = {
        "type": name,
        "documentation": _WORDS[name],
        "interaction": [{"code": code} for code in INTERACTIONS[name]],
        "versioning": "versioned",
        "conditionalRead": "not-match",
    }
    if parameters := list(searchable(name)):
        found["searchParam"] = parameters
    return found
