"""The words of FHIR that we speak: releases, value sets, systems, and the addresses of our own extensions.

VisionPrescription is the same in 4.0.1, 4.3.0 and 5.0.0, so one mapping serves both releases that are offered.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

MEDIA_TYPE = "application/fhir+json"

#: ``.example`` belongs to nobody (RFC 2606): these addresses name things, they do not lead anywhere.
NAMESPACE = "https://opticshop.example/fhir"


@dataclass(frozen=True, slots=True)
class Release:
    slug: str
    version: str

    @property
    def short_version(self) -> str:
        """As in the ``fhirVersion`` parameter of the media type: ``4.0``."""
        return self.version.rpartition(".")[0]


R4 = Release("r4", "4.0.1")
R5 = Release("r5", "5.0.0")
RELEASES = (R4, R5)

PATIENT, PRACTITIONER, VISION_PRESCRIPTION = "Patient", "Practitioner", "VisionPrescription"


class Status(StrEnum):
    """Required binding ``fm-status``."""

    ACTIVE = "active"
    CANCELLED = "cancelled"
    DRAFT = "draft"
    ENTERED_IN_ERROR = "entered-in-error"


EYES = ("right", "left")
BASES = ("up", "down", "in", "out")

PRODUCT_SYSTEM = "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct"
LENS, CONTACT = "lens", "contact"

#: Reference element -> types that it may name.
REFERENCE_TYPES = {"patient": (PATIENT,), "prescriber": (PRACTITIONER, "PractitionerRole")}

UCUM = "http://unitsofmeasure.org"


class System(StrEnum):
    """Whose numbers they are: the systems of the identifiers that we give out."""

    CUSTOMER = f"{NAMESPACE}/customer"
    PRESCRIPTION = f"{NAMESPACE}/prescription"
    REGISTRATION = f"{NAMESPACE}/prescriber-registration"
    BRANCH = f"{NAMESPACE}/branch"
    PROBLEM = f"{NAMESPACE}/problem"


class Extension(StrEnum):
    """What a prescription says and FHIR has no element for."""

    VERTEX_DISTANCE = f"{NAMESPACE}/StructureDefinition/vertex-distance"
    VALID_UNTIL = f"{NAMESPACE}/StructureDefinition/valid-until"
    PURPOSE = f"{NAMESPACE}/StructureDefinition/purpose"
    SUPERSEDES = f"{NAMESPACE}/StructureDefinition/supersedes"
    ENTRY = f"{NAMESPACE}/StructureDefinition/lens-entry"
    BASE_SETTING = f"{NAMESPACE}/StructureDefinition/prism-base-setting"
    PRACTICE = f"{NAMESPACE}/StructureDefinition/practice"
