"""Writing out: digits kept, prism in words per eye, every resource valid for an outside model library, R4B and R5."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from fhir.resources.patient import Patient as R5Patient
from fhir.resources.practitioner import Practitioner as R5Practitioner
from fhir.resources.R4B.patient import Patient
from fhir.resources.R4B.practitioner import Practitioner
from fhir.resources.R4B.visionprescription import VisionPrescription
from fhir.resources.visionprescription import VisionPrescription as R5VisionPrescription
from hypothesis import given
from hypothesis import strategies as st

from opticshop.exchange.checking import issues_in
from opticshop.exchange.exporting import _lens_specification
from opticshop.exchange.media import written
from opticshop.prescriptions.written import WrittenEye, WrittenPrism
from tests.factories import CustomerFactory, PrescriptionFactory

from .resources import R4, R5

NS = "https://opticshop.example/fhir/StructureDefinition"
D = Decimal


def prisms(side: str, *components: WrittenPrism) -> list[tuple[str, str]]:
    lens = _lens_specification(side, WrittenEye(sphere_dpt=D("0.00"), prisms=components))
    return [(str(one["amount"]), one["base"]) for one in lens.get("prism", ())]


@pytest.mark.parametrize(
    ("side", "amount", "base_deg", "expected"),
    [
        # optics.md section 8, rows 5 to 7, computed from first principles; to hundredths
        ("right", "5", "150", [("4.33", "out"), ("2.50", "up")]),
        ("left", "2.5", "330", [("2.17", "out"), ("1.25", "down")]),
        ("left", "4", "45", [("2.83", "out"), ("2.83", "up")]),
        # right eye: in 0, out 180; left eye: out 0, in 180; up 90, down 270 (optics.md section 8)
        ("right", "1.25", "0", [("1.25", "in")]),
        ("right", "1.25", "360", [("1.25", "in")]),
        ("right", "1.25", "180", [("1.25", "out")]),
        ("left", "1.25", "0", [("1.25", "out")]),
        ("left", "1.25", "180", [("1.25", "in")]),
        ("right", "1.25", "90", [("1.25", "up")]),
        ("left", "1.25", "270", [("1.25", "down")]),
    ],
)
def test_a_base_setting_is_written_as_horizontal_and_vertical_prism(side, amount, base_deg, expected):
    assert prisms(side, WrittenPrism(D(amount), base_deg=D(base_deg))) == expected


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize(("horizontal", "vertical"), [("in", "up"), ("out", "down"), ("in", "down"), ("out", "up")])
def test_prism_in_words_keeps_its_words_on_either_eye(side, horizontal, vertical):
    given = [WrittenPrism(D("2.50"), horizontal), WrittenPrism(D("0.75"), vertical)]
    assert prisms(side, *given) == [("2.50", horizontal), ("0.75", vertical)]


def test_the_base_setting_as_written_is_kept_beside_its_components():
    eye = WrittenEye(sphere_dpt=D("0.00"), prisms=(WrittenPrism(D("5.00"), base_deg=D("150.0")),))
    first, second = _lens_specification("right", eye)["prism"]
    kept = {part["url"]: part["valueDecimal"] for part in first["extension"][0]["extension"]}
    assert kept == {"amount": D("5.00"), "degrees": D("150.0")}
    assert "extension" not in second


@pytest.mark.parametrize(
    ("value", "text"), [("-2.00", "-2.00"), ("0.00", "0.00"), ("-0.00", "0.00"), ("12.5", "12.5"), ("1E+1", "10")]
)
def test_decimals_are_json_numbers_with_their_digits(value, text):
    assert written({"sphere": D(value)}) == f'{{"sphere":{text}}}'


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(), lambda s: st.lists(s) | st.dictionaries(st.text(), s)
    )
)
def test_the_writer_writes_json(value):
    """Against the json module of Python."""
    assert json.loads(written(value)) == value


powers = st.integers(-4000, 4000).map(lambda n: D(n) / 100)
cylinders = st.integers(-1500, 1500).map(lambda n: D(n) / 100)
components = st.one_of(
    st.just(()),
    st.tuples(st.builds(WrittenPrism, st.just(D("1.50")), st.sampled_from(["in", "out", "up", "down"]))),
    st.tuples(st.builds(WrittenPrism, st.just(D("3.00")), base_deg=st.integers(0, 3600).map(lambda n: D(n) / 10))),
)


@given(powers, cylinders, st.integers(1, 180), components, st.sampled_from(["right", "left"]))
def test_whatever_can_be_prescribed_passes_our_validator_and_theirs(sphere, cylinder, axis, prism, side):
    eye = WrittenEye(
        sphere_dpt=sphere,
        cylinder_dpt=cylinder,
        axis_deg=axis if cylinder else None,
        prisms=prism,
        addition_dpt=D("2.00"),
    )
    resource = {
        "resourceType": "VisionPrescription",
        "status": "active",
        "created": "2026-02-20",
        "patient": {"reference": "Patient/1"},
        "dateWritten": "2026-02-20",
        "prescriber": {"reference": "Practitioner/1"},
        "lensSpecification": [_lens_specification(side, eye)],
    }
    text = written(resource)
    assert not issues_in(json.loads(text, parse_float=D))
    for library in (VisionPrescription, R5VisionPrescription):
        (lens,) = library.model_validate_json(text).lensSpecification
        assert (lens.sphere, lens.cylinder or 0, lens.add) == (sphere, cylinder, D("2.00"))


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("base", "shapes"),
    [
        (R4, (Patient, Practitioner, VisionPrescription)),
        (R5, (R5Patient, R5Practitioner, R5VisionPrescription)),
    ],
)
def test_every_resource_is_valid_for_an_outside_library(api, clerk, mill, base, shapes):
    full = CustomerFactory(
        branch=mill,
        phone="020 7946 0018",
        address="3 Reed Lane\nMillrace",
        postcode="ML1 2AB",
        birth_date=None,
        email="",
    )
    rich = PrescriptionFactory(
        customer=full,
        prescriber_registration="01-00001",
        prescriber_practice="Sorrel Eye Care (invented)",
        vertex_distance_mm=D("12.0"),
        note="Reads at 40 cm",
        eyes={
            "right": {"sphere_dpt": D("0"), "cylinder_dpt": D("1.25"), "axis_deg": 180, "addition_dpt": D("2")},
            "left": {"entry": "balance", "sphere_dpt": None, "cylinder_dpt": D(0), "axis_deg": None},
        },
    )
    rich.eyes.get(eye="right").prisms.create(amount_dpt=D("5"), base_deg=D("150"))
    amended = PrescriptionFactory(customer=full, supersedes=rich, amendment_reason="axis misread")
    plain = PrescriptionFactory(customer=CustomerFactory(branch=mill))
    client = api(clerk)
    for prescription in (rich, amended, plain):
        keys = (prescription.customer_id, prescription.id, prescription.id)
        for shape, key in zip(shapes, keys, strict=True):
            kind = shape.__name__
            response = client.get(f"{base}/{kind}/{key}")
            assert response.status_code == 200
            shape.model_validate_json(response.content)
            if prescription is not rich:  # superseded, so not to be taken in again
                assert not issues_in(json.loads(response.content, parse_float=D))


@pytest.mark.django_db
def test_a_prescription_is_written_out_as_it_was_written(api, clerk, mill):
    rx = PrescriptionFactory(
        customer=CustomerFactory(branch=mill),
        vertex_distance_mm=D("12.0"),
        prescriber_registration="01-00001",
        prescriber_practice="Sorrel Eye Care (invented)",
        note="Reads at 40 cm",
        eyes={
            "right": {"sphere_dpt": D("-2"), "cylinder_dpt": D("1.5"), "axis_deg": 180, "addition_dpt": D("2")},
            "left": {"entry": "occluded", "sphere_dpt": None, "cylinder_dpt": D(0), "axis_deg": None},
        },
    )
    client = api(clerk)
    response = client.get(f"{R4}/VisionPrescription/{rx.id}")
    assert b'"sphere":-2.00,"cylinder":1.50,"axis":180,"add":2.00' in response.content
    assert response.json() == {
        "resourceType": "VisionPrescription",
        "id": str(rx.id),
        "meta": {"versionId": "1", "lastUpdated": "2026-03-02T12:00:00.000Z"},
        "extension": [
            {"url": f"{NS}/valid-until", "valueDate": "2028-01-15"},
            {"url": f"{NS}/purpose", "valueCode": "general"},
            {
                "url": f"{NS}/vertex-distance",
                "valueQuantity": {"value": 12.0, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm"},
            },
        ],
        "identifier": [{"system": "https://opticshop.example/fhir/prescription", "value": str(rx.id)}],
        "status": "active",
        "created": "2026-03-02T12:00:00.000Z",
        "patient": {"reference": f"Patient/{rx.customer_id}"},
        "dateWritten": "2026-01-15",
        "prescriber": {"reference": f"Practitioner/{rx.id}", "display": "R. Sorrel (invented)"},
        "lensSpecification": [
            {
                "product": {
                    "coding": [
                        {"system": "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct", "code": "lens"}
                    ]
                },
                "eye": "right",
                "sphere": -2.0,
                "cylinder": 1.5,
                "axis": 180,
                "add": 2.0,
                "note": [{"text": "Reads at 40 cm"}],
            },
            {
                "extension": [{"url": f"{NS}/lens-entry", "valueCode": "occluded"}],
                "product": {
                    "coding": [
                        {"system": "http://terminology.hl7.org/CodeSystem/ex-visionprescriptionproduct", "code": "lens"}
                    ]
                },
                "eye": "left",
            },
        ],
    }
    assert client.get(f"{R4}/Practitioner/{rx.id}").json() == {
        "resourceType": "Practitioner",
        "id": str(rx.id),
        "meta": {"versionId": "1", "lastUpdated": "2026-03-02T12:00:00.000Z"},
        "extension": [{"url": f"{NS}/practice", "valueString": "Sorrel Eye Care (invented)"}],
        "identifier": [{"system": "https://opticshop.example/fhir/prescriber-registration", "value": "01-00001"}],
        "name": [{"text": "R. Sorrel (invented)"}],
    }


@pytest.mark.django_db
def test_a_superseded_prescription_names_its_successor_the_other_way_round(api, clerk, mill):
    first = PrescriptionFactory(customer=CustomerFactory(branch=mill))
    second = PrescriptionFactory(customer=first.customer, supersedes=first, amendment_reason="axis misread")
    client = api(clerk)
    old, new = (client.get(f"{R4}/VisionPrescription/{one.id}").json() for one in (first, second))
    assert (old["status"], new["status"]) == ("cancelled", "active")
    (named,) = [one for one in new["extension"] if one["url"].endswith("supersedes")]
    assert named["valueReference"]["reference"] == f"VisionPrescription/{first.id}"
