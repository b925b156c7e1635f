"""Taking in: through the services of the house, once per identifier, nothing changed in silence, all or nothing."""

from __future__ import annotations

import json
from decimal import Decimal

import pytest
from fhir.resources.bundle import Bundle as R5Bundle
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.operationoutcome import OperationOutcome

from opticshop.accounts.access import actor_for
from opticshop.core.models import OutboxEvent
from opticshop.customers.models import Customer
from opticshop.exchange.models import OutsideIdentifier
from opticshop.prescriptions.models import Prescription
from tests.factories import CustomerFactory, PrescriptionFactory

from .resources import (
    FHIR_JSON,
    OFFICIAL_33123,
    OFFICIAL_33124,
    PEOPLE,
    R4,
    R5,
    SENDER,
    bundle,
    issues,
    lens,
    patient,
    practitioner,
    refused,
    vision_prescription,
)

pytestmark = pytest.mark.django_db
NS = "https://opticshop.example/fhir"


def rows() -> tuple[int, int, int]:
    return (
        Customer.objects.everywhere("test").count(),
        Prescription.objects.everywhere("test").count(),
        OutsideIdentifier.objects.everywhere("test").count(),
    )


@pytest.fixture
def sender(api, clerk):
    client = api(clerk)

    def send(body, *, base=R4, path="", raw=False, **headers):
        text = body if raw else json.dumps(body)
        return client.post(f"{base}/{path}", text, content_type=FHIR_JSON, headers=headers)

    return send


@pytest.fixture
def wren(mill):
    return CustomerFactory(branch=mill)


# --- one prescription -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("base", [R4, R5])
def test_a_prescription_is_recorded_at_the_branch_of_its_patient(sender, wren, base):
    response = sender(vision_prescription(wren), base=base, path="VisionPrescription")
    assert response.status_code == 201, response.content
    body = response.json()
    assert response["Location"] == f"http://testserver{base}/VisionPrescription/{body['id']}"
    assert response["ETag"] == 'W/"1"'
    recorded = Prescription.objects.everywhere("test").get(pk=body["id"])
    assert (recorded.branch, recorded.customer) == (wren.branch, wren)
    assert recorded.prescriber_name == "R. Sorrel (invented)"
    assert [e.type for e in OutboxEvent.objects.order_by("id") if "prescription" in e.type] == [
        "prescriptions.recorded",
        "exchange.prescription_taken_in",
    ]
    assert {"system": SENDER, "value": "RX-1"} in body["identifier"]


def test_the_same_prescription_twice_is_recorded_once(sender, wren):
    first = sender(vision_prescription(wren), path="VisionPrescription")
    before = rows()
    second = sender(vision_prescription(wren), path="VisionPrescription")
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.json() == second.json()
    assert rows() == before
    said = sender(vision_prescription(wren), path="VisionPrescription", prefer="return=OperationOutcome")
    assert "nothing was written" in issues(said, 200)[0]["diagnostics"]


def test_a_known_number_with_other_values_is_refused_and_changes_nothing(sender, wren):
    first = sender(vision_prescription(wren), path="VisionPrescription").json()
    before = rows()
    other = vision_prescription(wren, lensSpecification=[lens("right", sphere=-2.5), lens("left")])
    assert refused(sender(other, path="VisionPrescription"), 409) == ("conflict", "VisionPrescription.identifier")
    assert rows() == before
    assert sender(vision_prescription(wren), path="VisionPrescription").json() == first


def test_a_known_number_for_another_person_is_refused(sender, wren, mill):
    sender(vision_prescription(wren), path="VisionPrescription")
    other = CustomerFactory(branch=mill)
    assert refused(sender(vision_prescription(other), path="VisionPrescription"), 409)[0] == "conflict"


def test_the_same_number_at_another_branch_is_another_prescription(sender, api, outsider, wren, quay):
    """Twin branches: neither the number nor the patient of one is known to the other."""
    sender(vision_prescription(wren), path="VisionPrescription")
    theirs = api(outsider)
    refusal = theirs.post(f"{R4}/VisionPrescription", vision_prescription(wren), format="json")
    assert refused(refusal) == ("not-found", "VisionPrescription.patient")
    twin = CustomerFactory(branch=quay)
    assert theirs.post(f"{R4}/VisionPrescription", vision_prescription(twin), format="json").status_code == 201


def test_what_we_wrote_out_comes_back_as_known(sender, wren, api, clerk):
    """Also where a base setting was split into components on the way out."""
    ours = PrescriptionFactory(customer=wren)
    ours.eyes.get(eye="right").prisms.create(amount_dpt=Decimal("3.00"), base_deg=Decimal("30"))
    sent = api(clerk).get(f"{R4}/VisionPrescription/{ours.id}").content.decode()
    response = sender(sent, path="VisionPrescription", raw=True)
    assert (response.status_code, response.content.decode()) == (200, sent)


def test_a_number_that_we_never_gave_out_is_refused(sender, wren):
    number = {"system": f"{NS}/prescription", "value": "01890a5d-ac96-774b-bcce-b302099a8057"}
    response = sender(vision_prescription(wren, identifier=[number]), path="VisionPrescription")
    assert refused(response) == ("not-found", "VisionPrescription.identifier")


@pytest.mark.parametrize(
    ("eye", "code", "path"),
    [
        ({"sphere": -45}, "prescriptions.sphere_out_of_range", "lensSpecification[0].sphere"),
        ({"sphere": None}, "prescriptions.sphere_missing", "lensSpecification[0].sphere"),
        ({"cylinder": -16}, "prescriptions.cylinder_out_of_range", "lensSpecification[0].cylinder"),
        ({"sphere": -2.255}, "prescriptions.power_off_grid", "lensSpecification[0].sphere"),
        ({"add": 0}, "prescriptions.addition_out_of_range", "lensSpecification[0].add"),
        (
            {"prism": [{"amount": 1, "base": "in"}, {"amount": 41, "base": "up"}]},
            "prescriptions.prism_out_of_range",
            "lensSpecification[0].prism[1].amount",
        ),
        (
            {"prism": [{"amount": 1, "base": "in"}, {"amount": 1, "base": "out"}]},
            "prescriptions.prism_components_clash",
            "lensSpecification[0].prism[1]",
        ),
    ],
)
def test_the_house_refuses_what_it_refuses_elsewhere_with_the_path_of_the_element(sender, wren, eye, code, path):
    before = rows()
    sent = vision_prescription(wren, lensSpecification=[lens("right", **eye), lens("left")])
    response = sender(sent, path="VisionPrescription")
    (issue,) = issues(response, 422)
    assert issue["details"]["coding"][0]["code"] == code
    assert issue["expression"] == [f"VisionPrescription.{path}"]
    assert rows() == before
    OperationOutcome.model_validate_json(response.content)


@pytest.mark.parametrize(
    ("more", "code", "path"),
    [
        ({"dateWritten": "2026-03-09"}, "prescriptions.issued_in_future", "dateWritten"),
        ({"dateWritten": "1960-01-01"}, "prescriptions.issued_before_birth", "dateWritten"),
    ],
)
def test_days_that_cannot_be_are_refused(sender, wren, more, code, path):
    (issue,) = issues(sender(vision_prescription(wren, **more), path="VisionPrescription"), 422)
    assert issue["details"]["coding"][0]["code"] == code
    assert issue["expression"] == [f"VisionPrescription.{path}"]


@pytest.mark.parametrize(
    ("more", "refusal"),
    [
        ({"identifier": None}, ("required", "VisionPrescription.identifier")),
        ({"identifier": [{"value": "RX-1"}]}, ("required", "VisionPrescription.identifier")),
        ({"identifier": [{"system": SENDER, "value": "1" * 201}]}, ("too-long", "VisionPrescription.identifier")),
        ({"dateWritten": "2026-02"}, ("value", "VisionPrescription.dateWritten")),
        ({"lensSpecification": [lens("right")]}, ("required", "VisionPrescription.lensSpecification")),
        (
            {"lensSpecification": [lens("right"), lens("left"), lens("left")]},
            ("not-supported", "VisionPrescription.lensSpecification[2]"),
        ),
        ({"patient": {"reference": "Patient/example"}}, ("not-found", "VisionPrescription.patient")),
        ({"prescriber": {"reference": "Practitioner/nobody"}}, ("not-found", "VisionPrescription.prescriber")),
        ({"status": "draft"}, ("business-rule", "VisionPrescription.status")),
        ({"status": "cancelled"}, ("business-rule", "VisionPrescription.status")),
        ({"status": "entered-in-error"}, ("business-rule", "VisionPrescription.status")),
    ],
)
def test_what_cannot_be_recorded_is_refused_with_its_path(sender, wren, more, refusal):
    before = rows()
    assert refused(sender(vision_prescription(wren, **more), path="VisionPrescription")) == refusal
    assert rows() == before


def test_plus_cylinder_plano_and_digits_stay_as_they_are_written(sender, wren):
    eyes = [lens("right", sphere=0, cylinder=1.25, axis=180), lens("left", sphere=0, cylinder=None, axis=None)]
    text = json.dumps(vision_prescription(wren, lensSpecification=eyes))
    response = sender(text, path="VisionPrescription", raw=True)
    written = response.content.decode()
    assert '"eye":"right","sphere":0.00,"cylinder":1.25,"axis":180}' in written
    assert '"eye":"left","sphere":0.00}' in written


def test_our_own_extensions_are_understood(sender, wren):
    extension = [
        {"url": f"{NS}/StructureDefinition/vertex-distance", "valueQuantity": {"value": 12.5, "code": "mm"}},
        {"url": f"{NS}/StructureDefinition/valid-until", "valueDate": "2027-02-19"},
        {"url": f"{NS}/StructureDefinition/purpose", "valueCode": "distance"},
        {"url": "https://elsewhere.example/colour-of-the-chair", "valueString": "green"},
    ]
    balance = {"extension": [{"url": f"{NS}/StructureDefinition/lens-entry", "valueCode": "balance"}]}
    eyes = [
        lens("right", note=[{"text": "Reads at 40 cm"}]),
        lens("left", sphere=None, cylinder=None, axis=None) | balance,
    ]
    response = sender(vision_prescription(wren, extension=extension, lensSpecification=eyes), path="VisionPrescription")
    recorded = Prescription.objects.everywhere("test").get(pk=response.json()["id"])
    assert recorded.vertex_distance_mm == Decimal("12.5")
    assert str(recorded.expires_on) == "2027-02-19"
    assert (recorded.purpose, recorded.note) == ("distance", "Reads at 40 cm")
    assert recorded.eyes.get(eye="left").entry == "balance"


@pytest.mark.parametrize("extension", ["vertex-distance", "purpose"])
def test_our_own_extensions_are_judged(sender, wren, extension):
    value = {"valueQuantity": {"value": 0.5, "code": "[in_i]"}, "valueCode": "dancing"}
    sent = vision_prescription(wren, extension=[{"url": f"{NS}/StructureDefinition/{extension}", **value}])
    assert refused(sender(sent, path="VisionPrescription")) == ("value", "VisionPrescription.extension")


def test_what_looks_unusual_is_told_and_blocks_nothing(sender, wren):
    sent = vision_prescription(wren, lensSpecification=[lens("right", sphere=-21), lens("left", add=2)])
    response = sender(sent, path="VisionPrescription", prefer="return=OperationOutcome")
    found = {(i["details"]["coding"][0]["code"], i["expression"][0]) for i in issues(response, 201)}
    assert ("prescriptions.power_unusual", "VisionPrescription.lensSpecification[0].sphere") in found
    assert ("prescriptions.additions_differ", "VisionPrescription.lensSpecification[1].add") in found


def test_prefer_minimal_answers_without_a_body(sender, wren):
    response = sender(vision_prescription(wren), path="VisionPrescription", prefer="return=minimal")
    assert (response.status_code, response.content) == (201, b"")
    assert response["Location"]


def test_a_contained_prescriber_is_read(sender, wren):
    number = {"system": f"{NS}/prescriber-registration", "value": "01-00001"}
    contained = practitioner(id="p", identifier=[number])
    sent = vision_prescription(wren, contained=[contained], prescriber={"reference": "#p"})
    recorded = Prescription.objects.everywhere("test").get(pk=sender(sent, path="VisionPrescription").json()["id"])
    assert recorded.prescriber_name == "Dr Rue Sorrel (invented)"
    assert recorded.prescriber_registration == "01-00001"


def test_a_prescriber_of_whom_only_name_and_number_came(sender, wren):
    number = {"type": {"coding": [{"code": "LN"}]}, "value": "01-00001"}
    sent = vision_prescription(wren, prescriber={"display": "R. Sorrel (invented)", "identifier": number})
    recorded = Prescription.objects.everywhere("test").get(pk=sender(sent, path="VisionPrescription").json()["id"])
    assert (recorded.prescriber_name, recorded.prescriber_registration) == ("R. Sorrel (invented)", "01-00001")


def test_a_patient_is_found_by_the_number_of_the_sender(sender, wren):
    sender(bundle())
    logical = {"identifier": {"system": PEOPLE, "value": "P-17"}}
    sent = vision_prescription(identifier=[{"system": SENDER, "value": "RX-2"}], patient=logical)
    assert sender(sent, path="VisionPrescription").status_code == 201
    unknown = {"identifier": {"system": PEOPLE, "value": "P-18"}}
    assert refused(sender(sent | {"patient": unknown}, path="VisionPrescription"))[0] == "not-found"


# --- bundles ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["transaction", "collection"])
def test_a_bundle_registers_its_patient_and_records_its_prescriptions(sender, mill, kind):
    response = sender(bundle(kind=kind))
    assert response.status_code == 200, response.content
    Bundle.model_validate_json(response.content)
    R5Bundle.model_validate_json(response.content)
    answered = [entry["response"] for entry in response.json()["entry"]]
    assert [one["status"] for one in answered] == ["201 Created"] * 3
    customer = Customer.objects.everywhere("test").get()
    recorded = Prescription.objects.everywhere("test").get()
    assert [one["location"] for one in answered] == [
        f"Patient/{customer.id}",
        f"Practitioner/{recorded.id}",
        f"VisionPrescription/{recorded.id}",
    ]
    assert (customer.given_name, customer.family_name, customer.branch) == ("Iris May", "Bracken", mill)
    assert (str(customer.birth_date), customer.phone_e164) == ("1974-12-25", "+442079460044")
    assert (customer.address, customer.postcode) == ("3 Reed Lane\nMillrace", "ML1 2AB")
    assert recorded.prescriber_name == "Dr Rue Sorrel (invented)"
    assert recorded.prescriber_registration == "", "a staff number is no registration"


def test_the_same_bundle_twice_writes_nothing_more(sender, mill):
    first, before = sender(bundle()).json(), rows()
    second = sender(bundle()).json()
    assert rows() == before == (1, 1, 2)
    places = [[entry["response"]["location"] for entry in answer["entry"]] for answer in (first, second)]
    assert places[0] == places[1]
    assert {entry["response"]["status"] for entry in second["entry"]} == {"200 OK"}


def test_urns_name_each_other(sender, mill):
    sent = bundle(
        patient(id=None),
        practitioner(id=None),
        vision_prescription(patient={"reference": "urn:uuid:1"}, prescriber={"reference": "urn:uuid:2"}),
    )
    for entry, name in zip(sent["entry"], ("urn:uuid:1", "urn:uuid:2", "urn:uuid:3"), strict=True):
        entry["fullUrl"] = name
    assert sender(sent).status_code == 200


def test_the_official_glasses_example_comes_back_with_its_numbers(sender, mill, api, clerk):
    """HL7 FHIR R4, VisionPrescription example 33123: every number as published, digits and all."""
    sent = json.loads(OFFICIAL_33123, parse_float=str)
    text = f'{{"resourceType": "Bundle", "type": "collection", "entry": [{{"resource": {OFFICIAL_33123}}}, '
    others = ", ".join(json.dumps({"resource": one}) for one in (patient(), practitioner()))
    response = sender(f"{text}{others}]}}", raw=True)
    place = response.json()["entry"][0]["response"]["location"]
    back = json.loads(api(clerk).get(f"{R4}/{place}").content, parse_float=str)
    assert (back["status"], back["dateWritten"]) == ("active", "2014-06-15")
    assert sent["identifier"][0] in back["identifier"]
    for theirs, ours in zip(sent["lensSpecification"], back["lensSpecification"], strict=True):
        for name in ("eye", "sphere", "cylinder", "axis", "add"):
            assert ours.get(name) == theirs.get(name)
        assert ours["product"] == theirs["product"]
        (prism,), (published,) = ours["prism"], theirs["prism"]
        assert (Decimal(prism["amount"]), prism["base"]) == (Decimal(published["amount"]), published["base"])


def test_the_official_contacts_example_is_refused_with_the_reason(sender, mill):
    found = issues(sender(bundle(patient(), practitioner(), OFFICIAL_33124)), 422)
    assert (found[0]["code"], found[0]["expression"]) == (
        "not-supported",
        ["Bundle.entry[2].resource.lensSpecification[0].product"],
    )
    assert "contact lens" in found[0]["diagnostics"]
    assert {issue["expression"][0].rpartition(".")[2] for issue in found} == {
        "product",
        "power",
        "backCurve",
        "diameter",
        "duration",
    }
    assert rows() == (0, 0, 0)


def test_nothing_is_kept_of_a_bundle_with_one_bad_prescription(sender, mill):
    good = vision_prescription(prescriber={"display": "R. Sorrel (invented)"})
    bad = good | {"identifier": [{"system": SENDER, "value": "RX-2"}], "dateWritten": "2026-03-09"}
    assert refused(sender(bundle(patient(), good, bad))) == ("business-rule", "Bundle.entry[2].resource.dateWritten")
    assert rows() == (0, 0, 0)
    assert not OutboxEvent.objects.exists()


def test_a_near_duplicate_is_told_of_and_registered(sender, mill):
    twin = CustomerFactory(branch=mill, given_name="Iris", family_name="Bracken", birth_date="1974-12-25")
    entry = sender(bundle()).json()["entry"][0]
    (issue,) = entry["response"]["outcome"]["issue"]
    assert (issue["severity"], issue["code"]) == ("warning", "duplicate")
    assert str(twin.id) in issue["diagnostics"]
    assert rows()[0] == 2


def test_a_known_patient_keeps_what_we_know(sender, wren):
    number = [{"system": f"{NS}/customer", "value": str(wren.id)}]
    person = patient(identifier=number, birthDate="1984-03-09")
    response = sender(bundle(person, vision_prescription())).json()["entry"][0]["response"]
    assert (response["status"], response["location"]) == ("200 OK", f"Patient/{wren.id}")
    assert response["outcome"]["issue"][0]["code"] == "conflict"
    wren.refresh_from_db()
    assert wren.given_name == "Wren"


def test_a_known_number_with_another_birth_date_is_another_person(sender, mill):
    sender(bundle())
    other = vision_prescription(identifier=[{"system": SENDER, "value": "RX-2"}])
    response = sender(bundle(patient(birthDate="1975-12-25"), other))
    assert refused(response, 409) == ("conflict", "Bundle.entry[0].resource.birthDate")
    assert rows() == (1, 1, 2)


@pytest.mark.parametrize(
    ("person", "refusal"),
    [
        ({"identifier": None}, ("required", "identifier")),
        ({"identifier": [{"system": f"{NS}/customer", "value": "17"}]}, ("not-found", "identifier")),
        ({"name": None}, ("required", "name")),
        ({"name": [{"text": "Iris Bracken"}]}, ("required", "name")),
        ({"name": [{"family": "B" * 81, "given": ["Iris"]}]}, ("value", "name")),
        ({"birthDate": "2031-01-01"}, ("business-rule", "birthDate")),
        ({"birthDate": "1975-02-30"}, ("value", "birthDate")),
        ({"telecom": [{"system": "phone", "value": "call me"}]}, ("business-rule", "telecom")),
        ({"telecom": [{"system": "email", "value": "iris"}]}, ("value", "telecom")),
        ({"address": [{"postalCode": "ML1 2AB and more"}]}, ("value", "address.postalCode")),
        ({"modifierExtension": [{"url": "https://elsewhere.example/not"}]}, ("extension", "")),
    ],
)
def test_a_patient_that_cannot_be_registered_is_refused_with_its_path(sender, mill, person, refusal):
    code, path = refused(sender(bundle(patient(**person), vision_prescription())))
    assert (code, path) == (refusal[0], ".".join(filter(None, ("Bundle.entry[0].resource", refusal[1]))))
    assert rows() == (0, 0, 0)


def test_a_birth_year_alone_is_told_of_and_not_made_a_day(sender, mill):
    response = sender(bundle(patient(birthDate="1974"), vision_prescription()))
    (issue,) = response.json()["entry"][0]["response"]["outcome"]["issue"]
    assert (issue["code"], issue["expression"]) == ("incomplete", ["Bundle.entry[0].resource.birthDate"])
    assert Customer.objects.everywhere("test").get().birth_date is None


@pytest.mark.parametrize(
    ("change", "path"),
    [
        ({"type": "batch"}, "Bundle.type"),
        ({"type": "searchset"}, "Bundle.type"),
        ({"entry": []}, "Bundle.entry"),
        ({"entry": [{"resource": patient()}] * 101}, "Bundle.entry"),
        ({"entry": [{"resource": "text"}]}, "Bundle.entry[0]"),
        ({"entry": [{"resource": patient(), "request": {"method": "PUT"}}]}, "Bundle.entry[0].request"),
        (
            {"entry": [{"resource": patient(), "request": {"method": "POST", "ifNoneExist": "identifier=1"}}]},
            "Bundle.entry[0].request",
        ),
        ({"entry": [{"resource": {"resourceType": "Observation"}}]}, "Bundle.entry[0].resource.resourceType"),
        ({"entry": [{"resource": patient()}]}, "Bundle.entry"),
        ({"entry": [{"resource": patient()}] * 2}, "Bundle.entry"),
        ({"resourceType": "Patient"}, "Bundle.resourceType"),
    ],
)
def test_a_bundle_of_another_kind_is_refused(sender, mill, change, path):
    assert refused(sender(bundle() | change))[1] == path
    assert rows() == (0, 0, 0)


def test_who_is_named_by_nobody_is_refused(sender, wren):
    sent = bundle(patient(), vision_prescription(wren))
    assert refused(sender(sent)) == ("invalid", "Bundle.entry[0].resource")
    assert rows()[1:] == (0, 0)


def test_a_patient_named_as_prescriber_is_refused(sender, mill):
    sent = bundle(patient(), vision_prescription(prescriber={"reference": "urn:uuid:1", "display": "R. Sorrel"}))
    sent["entry"][0]["fullUrl"] = "urn:uuid:1"
    assert refused(sender(sent)) == ("value", "Bundle.entry[1].resource.prescriber")


# --- branches and roles -----------------------------------------------------------------------------------------------


def test_who_works_in_several_branches_says_which(api, head_office, mill, quay):
    client = api(head_office)
    refusal = client.post(f"{R4}/", bundle(), format="json")
    assert refused(refusal) == ("required", "Bundle.entry[0].resource.managingOrganization")
    named = patient(managingOrganization={"identifier": {"system": f"{NS}/branch", "value": "QUAY"}})
    assert client.post(f"{R4}/", bundle(named, vision_prescription()), format="json").status_code == 200
    assert Customer.objects.everywhere("test").get().branch == quay


def test_a_number_known_in_two_branches_is_not_guessed(api, clerk, outsider, head_office, mill, quay):
    for user in (clerk, outsider):
        assert api(user).post(f"{R4}/", bundle(), format="json").status_code == 200
    assert refused(api(head_office).post(f"{R4}/", bundle(), format="json"))[0] == "multiple-matches"
    named = patient(managingOrganization={"identifier": {"system": f"{NS}/branch", "value": "QUAY"}})
    response = api(head_office).post(f"{R4}/", bundle(named, vision_prescription()), format="json")
    assert response.json()["entry"][0]["response"]["status"] == "200 OK"


def test_another_branch_cannot_be_named(sender, quay, mill):
    named = patient(managingOrganization={"identifier": {"system": f"{NS}/branch", "value": "QUAY"}})
    assert refused(sender(bundle(named, vision_prescription())))[0] == "required"
    assert rows() == (0, 0, 0)


@pytest.mark.parametrize("role", ["hand", "bookkeeper"])
def test_roles_that_do_not_record_do_not_take_in(api, request, mill, role):
    client = api(request.getfixturevalue(role))
    assert refused(client.post(f"{R4}/", bundle(), format="json"), 403)[0] == "forbidden"
    assert refused(client.post(f"{R4}/VisionPrescription", {}, format="json"), 403)[0] == "forbidden"


@pytest.mark.parametrize(
    ("scopes", "status"),
    [
        ("exchange:write prescriptions:write customers:write customers:read", 200),
        ("exchange:write prescriptions:write customers:read", 403),
        ("exchange:write prescriptions:write customers:write", 403),
        ("exchange:write customers:write customers:read", 403),
        ("prescriptions:write customers:write customers:read", 403),
        ("exchange:read prescriptions:read customers:read", 403),
    ],
)
def test_a_token_needs_every_scope_of_what_is_written(api, clerk, monkeypatch, scopes, status):
    monkeypatch.setattr(
        "opticshop.accounts.access.actor_from_request", lambda request: actor_for(request.user, scopes.split())
    )
    assert api(clerk).post(f"{R4}/", bundle(), format="json").status_code == status
    assert rows()[0] == (status == 200)


def test_nobody_takes_in_without_signing_in(api, mill):
    response = api(None).post(f"{R4}/", bundle(), format="json")
    assert refused(response, 401)[0] == "login"
    assert response["WWW-Authenticate"].startswith("Bearer")
