"""Our own validator: what the outside library lets through is refused here, and the value sets are the same lists."""

from __future__ import annotations

import copy
import json
from decimal import Decimal

import pytest
from fhir.resources import visionprescription as r5
from fhir.resources.operationoutcome import OperationOutcomeIssue as R5OperationOutcomeIssue
from fhir.resources.R4B import visionprescription as r4b
from fhir.resources.R4B.capabilitystatement import CapabilityStatementRestResourceInteraction
from fhir.resources.R4B.operationoutcome import OperationOutcomeIssue
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from opticshop.exchange.capability import INTERACTIONS
from opticshop.exchange.checking import issues_in
from opticshop.exchange.issues import ResourceRefused
from opticshop.exchange.media import written
from opticshop.exchange.messages import message_of_bundle, message_of_one
from opticshop.exchange.outcomes import ISSUE_CODES
from opticshop.exchange.vocabulary import BASES, EYES, REFERENCE_TYPES, Status

from .resources import FHIR_JSON, OFFICIAL_33123, R4, bundle, lens, patient, practitioner, product, vision_prescription


def exact(resource):
    """As the parser hands it on: decimals, no floats."""
    return json.loads(json.dumps(resource), parse_float=Decimal)


def found(resource) -> list[tuple[str, str]]:
    return [(issue.code, issue.expression) for issue in issues_in(exact(resource))]


def with_lens(**more):
    """A key given as None is left out."""
    changed = lens("right") | more
    return vision_prescription(
        lensSpecification=[{name: value for name, value in changed.items() if value is not None}]
    )


def values(model, field, key="enum_values"):
    return set(model.model_fields[field].json_schema_extra[key])


@pytest.mark.parametrize("library", [r4b, r5])
def test_our_value_sets_are_those_of_the_library(library):
    assert set(Status) == values(library.VisionPrescription, "status")
    assert set(EYES) == values(library.VisionPrescriptionLensSpecification, "eye")
    assert set(BASES) == values(library.VisionPrescriptionLensSpecificationPrism, "base")
    for name, types in REFERENCE_TYPES.items():
        assert set(types) == values(library.VisionPrescription, name, "enum_reference_types")


def test_what_we_answer_is_in_the_value_sets_of_the_library():
    for model in (OperationOutcomeIssue, R5OperationOutcomeIssue):
        assert {"error", "warning", "information"} <= values(model, "severity")
    offered = {code for codes in INTERACTIONS.values() for code in codes}
    assert offered <= values(CapabilityStatementRestResourceInteraction, "code")


#: Required value set http://hl7.org/fhir/R4/valueset-issue-type.html, from memory.
_ISSUE_TYPES = """
    invalid structure required value invariant security login unknown expired forbidden suppressed processing
    not-supported duplicate multiple-matches not-found deleted too-long code-invalid extension too-costly business-rule
    conflict transient lock-error no-store exception timeout incomplete throttled informational
"""
ISSUE_TYPES = set(_ISSUE_TYPES.split())


def test_issue_codes_are_those_of_the_standard():
    assert set(ISSUE_CODES.values()) <= ISSUE_TYPES


def test_the_official_example_and_our_own_are_in_order():
    assert issues_in(json.loads(OFFICIAL_33123, parse_float=Decimal)) == []
    for resource in (vision_prescription(), patient(), practitioner()):
        assert found(resource) == []


LENS = "VisionPrescription.lensSpecification[0]"

#: What fhir.resources 8.3 accepts and we do not (reference dossier, section 1, "not checked by the library").
NOT_CHECKED_BY_THE_LIBRARY = [
    (with_lens(eye="both"), ("code-invalid", f"{LENS}.eye")),
    (vision_prescription(status="signed"), ("code-invalid", "VisionPrescription.status")),
    (with_lens(prism=[{"amount": 1, "base": "nasal"}]), ("code-invalid", f"{LENS}.prism[0].base")),
    (with_lens(axis=181), ("value", f"{LENS}.axis")),
    (with_lens(axis=0), ("value", f"{LENS}.axis")),
    (with_lens(axis=None), ("invariant", f"{LENS}.axis")),
    (with_lens(sphere="-1.00"), ("value", f"{LENS}.sphere")),
    (vision_prescription(lensSpecification=[]), ("structure", "VisionPrescription.lensSpecification")),
    (
        vision_prescription(patient={"reference": "Organization/1"}),
        ("value", "VisionPrescription.patient.reference"),
    ),
    (
        vision_prescription(prescriber={"reference": "Patient/1"}),
        ("value", "VisionPrescription.prescriber.reference"),
    ),
    (with_lens(product={"coding": [{"system": "urn:x", "code": "lens"}]}), ("code-invalid", f"{LENS}.product")),
]


@pytest.mark.parametrize(("resource", "refusal"), NOT_CHECKED_BY_THE_LIBRARY)
def test_what_the_library_lets_through_is_refused_by_ours(resource, refusal):
    for library in (r4b, r5):
        library.VisionPrescription.model_validate(copy.deepcopy(resource))  # the library does not mind
    assert refusal in found(resource)


#: What fhir.resources refuses is refused here too, so that the service does not need it.
REFUSED_BY_THE_LIBRARY = [
    *(vision_prescription(**{name: None}) for name in ("status", "created", "dateWritten", "patient", "prescriber")),
    vision_prescription(lensSpecification=None),
    with_lens(product=None),
    with_lens(eye=None),
    with_lens(prism=[{"amount": 1}]),
    with_lens(prism=[{"base": "up"}]),
    with_lens(prism={"amount": 1, "base": "up"}),
    with_lens(axis=90.5),
    with_lens(pupillaryDistance=63),
    vision_prescription(dispense=[]),
    vision_prescription(dateWritten="2026-02-20T09:30:00"),
    vision_prescription(dateWritten="2026-02-31"),
    with_lens(sphere="minus one"),
]


@pytest.mark.parametrize("resource", REFUSED_BY_THE_LIBRARY)
def test_what_the_library_refuses_is_refused_by_ours(resource):
    for library in (r4b, r5):
        with pytest.raises(ValidationError):
            library.VisionPrescription.model_validate(copy.deepcopy(resource))
    assert found(resource)


@pytest.mark.parametrize(
    ("resource", "refusal"),
    [
        (with_lens(product=product("contact")), ("not-supported", f"{LENS}.product")),
        (with_lens(power=-2.75), ("not-supported", f"{LENS}.power")),
        (with_lens(color="green"), ("not-supported", f"{LENS}.color")),
        (with_lens(cylinder=None), ("invariant", f"{LENS}.axis")),
        (with_lens(cylinder=0), ("invariant", f"{LENS}.axis")),
        (with_lens(axis=True), ("value", f"{LENS}.axis")),
        (with_lens(sphere=True), ("value", f"{LENS}.sphere")),
        (
            with_lens(sphere=None) | {"lensSpecification": [lens("right") | {"sphere": None}]},
            ("value", f"{LENS}.sphere"),
        ),
        (with_lens(sphere=10**18), ("value", f"{LENS}.sphere")),
        (with_lens(modifierExtension=[{"url": "urn:x"}]), ("extension", LENS)),
        (vision_prescription(implicitRules="urn:x"), ("extension", "VisionPrescription")),
        (vision_prescription(status=["active"]), ("code-invalid", "VisionPrescription.status")),
        (vision_prescription(identifier=[]), ("structure", "VisionPrescription.identifier")),
        (vision_prescription(identifier=[{"system": 1}]), ("value", "VisionPrescription.identifier[0].system")),
        (vision_prescription(patient={}), ("structure", "VisionPrescription.patient")),
        (with_lens(note=[{"text": "\u0000"}]), ("value", f"{LENS}.note[0].text")),
        ({"resourceType": "Observation"}, ("not-supported", "Resource.resourceType")),
        ([], ("not-supported", "Resource.resourceType")),
    ],
)
def test_what_we_refuse_besides(resource, refusal):
    assert refusal in found(resource)


def test_every_fault_is_told_at_once():
    resource = vision_prescription(status="signed", lensSpecification=[lens("both", axis=0, sphere="x")])
    assert len(found(resource)) == 4


# --- fuzz: whatever is sent, the answer is a refusal or a success, never a failure of ours ----------------------------

_leaf = (
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.decimals(allow_nan=False, allow_infinity=False, places=3)
    | st.text(max_size=8)
    | st.sampled_from(["right", "up", "active", "Patient/example", "#p", "2026-02-20", "lens", -2.25, 180, "", "\x00"])
)
_anything = st.recursive(
    _leaf,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["coding", "code", "value", "url", "id", "system", "x"]), inner, max_size=3)
    ),
    max_leaves=6,
)


@st.composite
def _spoilt(draw, whole):
    """A good resource of which a few places hold something else, or nothing."""
    resource = copy.deepcopy(whole)
    for _ in range(draw(st.integers(1, 3))):
        place = resource
        for _ in range(draw(st.integers(0, 6))):
            inner = list(place.values() if isinstance(place, dict) else place)
            deeper = [one for one in inner if isinstance(one, dict | list) and one]
            if not deeper:
                break
            place = draw(st.sampled_from(deeper))
        keys = list(place) if isinstance(place, dict) else list(range(len(place)))
        key = draw(st.sampled_from(keys))
        if draw(st.booleans()):
            place[key] = draw(_anything)
        elif len(keys) > 1 or place is not resource:
            del place[key]
        if not resource:
            break
    return resource


_WHOLE = exact(
    vision_prescription(
        contained=[practitioner(id="p")],
        prescriber={"reference": "#p"},
        extension=[
            {
                "url": "https://opticshop.example/fhir/StructureDefinition/vertex-distance",
                "valueQuantity": {"value": 12, "code": "mm"},
            }
        ],
        lensSpecification=[
            lens("right", prism=[{"amount": 1, "base": "in"}], note=[{"text": "x"}]),
            lens("left", add=2),
        ],
    )
)


def test_the_fuzz_spoils_what_is_whole():
    assert (
        refusals(message_of_one, _WHOLE) == refusals(message_of_bundle, bundle(patient(), practitioner(), _WHOLE)) == []
    )


def refusals(reader, sent):
    """The issues of a refusal; none where it was read."""
    try:
        reader(sent)
    except ResourceRefused as refusal:
        return refusal.issues
    return []


@given(_spoilt(_WHOLE) | _anything)
@settings(max_examples=300)
def test_the_validator_survives_anything_and_says_so_in_the_standards_words(resource):
    told = refusals(message_of_one, resource)
    assert all(issue.code in ISSUE_TYPES and issue.expression for issue in told)


@given(_spoilt(bundle(patient(), practitioner(), _WHOLE)) | _anything)
@settings(max_examples=200)
def test_the_validator_survives_any_bundle(sent):
    assert {issue.code for issue in refusals(message_of_bundle, sent)} <= ISSUE_TYPES


@pytest.mark.django_db
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(sent=_spoilt(bundle(patient(), practitioner(), _WHOLE)))
def test_a_malformed_bundle_never_fails_the_service(api, clerk, sent):
    response = api(clerk).post(f"{R4}/", written(sent), content_type=FHIR_JSON)
    assert response.status_code in {200, 400, 409, 422}, response.content
    assert response["Content-Type"] == FHIR_JSON
    assert response.json()["resourceType"] == ("Bundle" if response.status_code == 200 else "OperationOutcome")
