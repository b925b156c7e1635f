"""Reading: search by FHIR's rules, conditional reads, every failure an OperationOutcome, branches and roles."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client, override_settings
from fhir.resources.bundle import Bundle as R5Bundle
from fhir.resources.capabilitystatement import CapabilityStatement as R5CapabilityStatement
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from fhir.resources.R4B.operationoutcome import OperationOutcome

from opticshop.accounts.access import actor_for
from opticshop.core import clock
from opticshop.customers.models import Customer
from opticshop.exchange.models import OutsideIdentifier
from opticshop.prescriptions.models import Prescription
from tests.factories import CustomerFactory, PrescriptionFactory

from .resources import FHIR_JSON, R4, R5, bundle, issues, refused

pytestmark = pytest.mark.django_db
RESOURCES = ("Patient", "Practitioner", "VisionPrescription")


@pytest.fixture
def wren(mill):
    return CustomerFactory(branch=mill, family_name="Älder")


@pytest.fixture
def rx(wren):
    return PrescriptionFactory(customer=wren)


@pytest.fixture
def read(api, clerk):
    client = api(clerk)
    return lambda path, base=R4, **headers: client.get(f"{base}/{path}", headers=headers)


def found(response) -> list[str]:
    """Ids of the matches of a searchset."""
    assert response.status_code == 200, response.content
    body = response.json()
    Bundle.model_validate_json(response.content)
    R5Bundle.model_validate_json(response.content)
    matches = [entry for entry in body.get("entry", ()) if entry["search"]["mode"] == "match"]
    for entry in matches:
        assert entry["fullUrl"].endswith(f"/{entry['resource']['resourceType']}/{entry['resource']['id']}")
    return [entry["resource"]["id"] for entry in matches]


def links(response) -> dict[str, str]:
    return {link["relation"]: link["url"] for link in response.json()["link"]}


# --- one resource -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["erased_at", "restricted_at"])
@pytest.mark.parametrize("base", [R4, R5])
def test_what_is_kept_of_an_erased_or_restricted_person_is_not_told_to_other_systems(read, wren, rx, how, base):
    """GDPR, articles 17(3) and 18(2): kept for claims, and used for nothing else."""
    other = PrescriptionFactory(customer=CustomerFactory(branch=wren.branch))
    addresses = (f"Patient/{wren.id}", f"VisionPrescription/{rx.id}", f"Practitioner/{rx.id}")
    assert {read(each, base).status_code for each in addresses} == {200}
    Customer.objects.everywhere("test").filter(id=wren.id).update(**{how: clock.now()})
    for each in addresses:
        answer = read(each, base)
        assert answer.status_code == 404, each
        assert answer.json()["resourceType"] == "OperationOutcome"
    for search in ("VisionPrescription", f"VisionPrescription?_id={rx.id}", f"VisionPrescription?patient={wren.id}"):
        assert str(rx.id) not in found(read(search, base)), search
    assert found(read("VisionPrescription", base)) == [str(other.id)]
    assert found(read("Patient", base)) == [str(other.customer_id)]


def test_a_patient_says_no_more_than_is_needed(read, wren):
    response = read(f"Patient/{wren.id}")
    assert response["Content-Type"] == FHIR_JSON
    assert response.json() == {
        "resourceType": "Patient",
        "id": str(wren.id),
        "meta": {"versionId": "1"},
        "identifier": [{"system": "https://opticshop.example/fhir/customer", "value": str(wren.id)}],
        "name": [{"family": "Älder", "given": ["Wren"]}],
        "telecom": [{"system": "email", "value": wren.email}],
        "birthDate": "1984-03-09",
        "managingOrganization": {
            "identifier": {"system": "https://opticshop.example/fhir/branch", "value": "MILL"},
            "display": "Millrace Opticians (invented)",
        },
    }


def test_a_read_is_conditional_on_its_version(read, rx):
    path = f"VisionPrescription/{rx.id}"
    tag = read(path)["ETag"]
    assert tag == 'W/"1"'
    for header in (tag, '"1"', f'"9", {tag}'):
        same = read(path, if_none_match=header)
        assert (same.status_code, same.content, same["ETag"]) == (304, b"", tag)
    PrescriptionFactory(customer=rx.customer, supersedes=rx, amendment_reason="axis misread")
    assert read(path, if_none_match=tag)["ETag"] == 'W/"2"'


@pytest.mark.parametrize(
    "key", ["01890a5d-ac96-774b-bcce-b302099a8057", "x", "%00", "1" * 80, "01890A5DAC96774BBCCEB302099A8057"]
)
@pytest.mark.parametrize("kind", RESOURCES)
def test_what_is_not_there_is_not_found(read, rx, kind, key):
    assert refused(read(f"{kind}/{key}"), 404)[0] == "not-found"


def test_another_branch_is_not_there(api, outsider, rx):
    """Twin branches: the same role at the other branch sees nothing, neither by id nor by search."""
    client = api(outsider)
    for kind, key in zip(RESOURCES, (rx.customer_id, rx.id, rx.id), strict=True):
        assert refused(client.get(f"{R4}/{kind}/{key}"), 404)[0] == "not-found"
    for path in ("Patient", f"VisionPrescription?patient={rx.customer_id}", f"VisionPrescription?_id={rx.id}"):
        assert found(client.get(f"{R4}/{path}")) == []


@pytest.mark.parametrize(
    ("role", "status"), [("manager", 200), ("head_office", 200), ("hand", 403), ("bookkeeper", 403)]
)
@pytest.mark.parametrize("kind", RESOURCES)
def test_roles(api, request, rx, kind, role, status):
    key = rx.customer_id if kind == "Patient" else rx.id
    response = api(request.getfixturevalue(role)).get(f"{R4}/{kind}/{key}")
    assert response.status_code == status
    if status == 403:
        assert refused(response, 403)[0] == "forbidden"


@pytest.mark.parametrize(
    ("scopes", "kinds"),
    [
        ("exchange:read", ()),
        ("prescriptions:read customers:read", ()),
        ("exchange:read customers:read", ("Patient",)),
        ("exchange:read prescriptions:read", ("Practitioner", "VisionPrescription")),
        ("exchange:write prescriptions:write", ()),
    ],
)
def test_a_token_needs_the_scope_of_the_exchange_and_of_what_is_read(api, clerk, rx, monkeypatch, scopes, kinds):
    monkeypatch.setattr(
        "opticshop.accounts.access.actor_from_request", lambda request: actor_for(request.user, scopes.split())
    )
    keys = {"Patient": rx.customer_id, "Practitioner": rx.id, "VisionPrescription": rx.id}
    allowed = {kind for kind in RESOURCES if api(clerk).get(f"{R4}/{kind}/{keys[kind]}").status_code == 200}
    assert allowed == set(kinds)


# --- search -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "hit"),
    [
        ("family=alde", True),
        ("family=ALDER", True),
        ("family=lder", False),
        ("family=x,älder", True),
        ("birthdate=1984-03-09", True),
        ("birthdate=1984-03", True),
        ("birthdate=1984", True),
        ("birthdate=ge1985", False),
        ("birthdate=gt1984-03-08&birthdate=lt1984-03-10", True),
        ("birthdate=le1984-02", False),
        ("family=alder&birthdate=1985", False),
        ("family=", True),
    ],
)
def test_patients_are_found(read, wren, query, hit):
    assert (str(wren.id) in found(read(f"Patient?{query}"))) is hit


def test_patients_are_found_by_our_number_and_by_theirs(read, wren):
    OutsideIdentifier.objects.bulk_create(
        [OutsideIdentifier(branch=wren.branch, kind="patient", system="urn:a", value="17|3", customer=wren)]
    )
    own = f"https://opticshop.example/fhir/customer|{wren.id}"
    for text in (own, str(wren.id), "urn:a|17|3", f"urn:b|1,{own}"):
        assert found(read(f"Patient?identifier={text}")) == [str(wren.id)], text
    OutsideIdentifier.objects.everywhere("test").update(value="1,7")
    assert found(read("Patient?identifier=urn:a|1\\,7")) == [str(wren.id)]
    assert found(read("Patient?identifier=urn:a|1,7")) == []
    OutsideIdentifier.objects.everywhere("test").update(value="17")
    for text, hit in (
        ("urn:a|17", True),
        ("17", True),
        ("urn:b|17", False),
        (f"urn:b|{wren.id}", False),
        ("|17", False),
    ):
        assert (found(read(f"Patient?identifier={text}")) == [str(wren.id)]) is hit, text


@pytest.mark.parametrize(
    ("query", "hit"),
    [
        ("datewritten=2026-01-15", True),
        ("datewritten=2026-01", True),
        ("datewritten=lt2026-01-15", False),
        ("datewritten=ge2026-01-15", True),
        ("datewritten=gt2026-01", False),
        ("status=active", True),
        ("status=http://hl7.org/fhir/fm-status|active", True),
        ("status=cancelled", False),
        ("status=cancelled,active", True),
        ("status=entered-in-error", False),
        ("status=draft", False),
    ],
)
def test_prescriptions_are_found(read, rx, query, hit):
    assert found(read(f"VisionPrescription?{query}")) == ([str(rx.id)] if hit else [])


def test_prescriptions_are_found_by_patient_and_number(read, rx):
    other = PrescriptionFactory(customer=CustomerFactory(branch=rx.branch))
    for text in (
        f"patient={rx.customer_id}",
        f"patient=Patient/{rx.customer_id}",
        f"_id={rx.id}",
        f"identifier={rx.id}",
    ):
        assert found(read(f"VisionPrescription?{text}")) == [str(rx.id)], text
    for text in (f"patient=Group/{rx.customer_id}", "patient=x", f"patient=https://a.example/Patient/{rx.customer_id}"):
        assert found(read(f"VisionPrescription?{text}")) == [], text
    assert len(found(read(f"VisionPrescription?_id={rx.id},{other.id}"))) == 2


def test_a_superseded_prescription_is_cancelled(read, rx):
    amended = PrescriptionFactory(customer=rx.customer, supersedes=rx, amendment_reason="axis misread")
    assert found(read("VisionPrescription?status=cancelled")) == [str(rx.id)]
    assert found(read("VisionPrescription?status=active")) == [str(amended.id)]


def test_pages_follow_each_other_and_show_each_once(read, wren, api, clerk):
    made = [str(PrescriptionFactory(customer=wren).id) for _ in range(5)]
    response, seen = read(f"VisionPrescription?patient={wren.id}&_count=2"), []
    assert response.json()["total"] == 5
    assert links(response)["self"] == f"http://testserver{R4}/VisionPrescription?patient={wren.id}&_count=2"
    while True:
        seen += found(response)
        PrescriptionFactory(customer=wren)  # what is new meanwhile moves nothing
        if "next" not in links(response):
            break
        response = api(clerk).get(links(response)["next"])
    assert seen == made[::-1]


def test_count_zero_only_counts(read, rx):
    response = read("VisionPrescription?_count=0")
    assert response.json()["total"] == 1
    assert "entry" not in response.json()
    assert found(read("VisionPrescription?_count=100000")) == [str(rx.id)]


def test_an_unknown_parameter_is_left_out_and_told_of_or_refused(read, rx):
    """FHIR R4, search, 'Handling errors': the self link says what was used; Prefer: handling=strict refuses."""
    for headers in ({}, {"prefer": "handling=lenient"}):
        response = read("VisionPrescription?pateint=1&status=active", **headers)
        assert found(response) == [str(rx.id)]
        assert links(response)["self"].endswith("VisionPrescription?status=active")
        (told,) = [e["resource"] for e in response.json()["entry"] if e["search"]["mode"] == "outcome"]
        assert (told["issue"][0]["severity"], response.json()["total"]) == ("warning", 1)
        assert "pateint" in told["issue"][0]["diagnostics"]
    for header in ("handling=strict", "return=minimal, Handling=strict"):
        refusal = issues(read("VisionPrescription?pateint=1", prefer=header), 400)
        assert "pateint" in refusal[0]["diagnostics"]


@pytest.mark.parametrize(
    "query",
    [
        "status:not=active",
        "patient:identifier=x",
        "status=signed",
        "datewritten=yesterday",
        "datewritten=2026-13",
        "datewritten=2026-02-30",
        "datewritten=ap2026",
        "_count=-1",
        "_count=many",
        "_cursor=abc",
        "identifier=%00",
    ],
)
def test_a_malformed_search_is_refused(read, rx, query):
    assert refused(read(f"VisionPrescription?{query}"), 400)[0] == "invalid"


@pytest.mark.parametrize("path", ["VisionPrescription", "Patient"])
def test_the_number_of_queries_does_not_grow(api, clerk, queries, mill, path):
    client = api(clerk)

    def grow(count):
        for _ in range(count):
            PrescriptionFactory(customer=CustomerFactory(branch=mill))

    grow(2)
    few = queries(lambda: client.get(f"{R4}/{path}"))
    grow(6)
    assert queries(lambda: client.get(f"{R4}/{path}")) == few <= 7 + 4, "four write down who read"


# --- errors, media types, the statement of what works -----------------------------------------------------------------


@pytest.mark.parametrize("base", [R4, R5])
@pytest.mark.parametrize("path", ["Observation", "Observation/1", "Patient/1/_history/1", "Patient/", "x/y/z"])
def test_an_address_that_is_none(read, base, path):
    assert refused(read(path, base=base), 404)[0] == "not-found"


def test_an_unknown_release_is_not_there(client):
    assert refused(client.get("/fhir/r6/metadata"), 404)[0] == "not-found"
    assert refused(client.get("/fhir/"), 404)[0] == "not-found"


@pytest.mark.parametrize("method", ["put", "patch", "delete", "options"])
@pytest.mark.parametrize("path", ["metadata", "Patient", "VisionPrescription/1", ""])
def test_methods_that_are_not_offered(api, clerk, method, path):
    response = getattr(api(clerk), method)(f"{R4}/{path}")
    assert refused(response, 405)[0] == "not-supported"
    OperationOutcome.model_validate_json(response.content)


@pytest.mark.parametrize(
    "path", ["Patient", "Patient/1", "Practitioner/1", "VisionPrescription", "VisionPrescription/1"]
)
def test_nobody_reads_without_signing_in(api, path):
    response = api(None).get(f"{R4}/{path}")
    assert refused(response, 401)[0] == "login"
    assert response["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize(
    "accept", [FHIR_JSON, "*/*", "application/*", f"{FHIR_JSON}; fhirVersion=4.0", "application/json"]
)
def test_media_types_that_are_offered(read, rx, accept):
    response = read(f"Patient/{rx.customer_id}", accept=accept)
    assert response.status_code == 200
    assert response["Content-Type"] == ("application/json" if accept == "application/json" else FHIR_JSON)


def test_a_media_type_or_release_that_is_not_offered(read, rx):
    path = f"Patient/{rx.customer_id}"
    for accept in ("application/fhir+xml", "text/html", f"{FHIR_JSON}; fhirVersion=5.0"):
        assert refused(read(path, accept=accept), 406)[0] == "not-supported"
    assert read(path, base=R5, accept=f"{FHIR_JSON}; fhirVersion=5.0").status_code == 200
    assert refused(read(f"{path}?_format=xml"), 406)[0] == "not-supported"
    for wanted in ("json", "application/fhir%2Bjson", "application/fhir+json", "application/json"):
        assert read(f"{path}?_format={wanted}", accept="text/html").status_code == 200


@pytest.mark.parametrize(
    ("body", "content_type", "status"),
    [
        ("{", FHIR_JSON, 400),
        ("", FHIR_JSON, 422),
        ('{"a": 1, "a": 2}', FHIR_JSON, 400),
        ('{"a": NaN}', FHIR_JSON, 400),
        ('{"a": 1e99999999999999999999}', FHIR_JSON, 400),
        ("[" * 70 + "]" * 70, FHIR_JSON, 400),
        ("[" * 100_000, FHIR_JSON, 400),
        ('{"a": "\\ud800"}', FHIR_JSON, 400),
        (b'{"a": "\xff"}', FHIR_JSON, 400),
        ("<Bundle/>", "application/fhir+xml", 415),
        ("a=b", "application/x-www-form-urlencoded", 415),
        ("[]", FHIR_JSON, 422),
        ("null", "application/json", 422),
    ],
)
@pytest.mark.parametrize("path", ["", "VisionPrescription"])
def test_a_body_that_cannot_be_read(api, clerk, path, body, content_type, status):
    refused(api(clerk).post(f"{R4}/{path}", body, content_type=content_type), status)


@override_settings(DATA_UPLOAD_MAX_MEMORY_SIZE=1000)
def test_a_body_that_is_too_large(api, clerk):
    assert refused(api(clerk).post(f"{R4}/", bundle(), format="json"), 413)[0] == "too-long"


def test_what_fails_before_a_view_is_an_outcome_too(client):
    assert refused(client.get(f"{R4}/metadata", headers={"host": "elsewhere.example"}), 400)[0] == "invalid"


def test_a_session_needs_its_csrf_token(clerk, mill):
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(clerk)
    assert refused(browser.post(f"{R4}/", bundle(), content_type=FHIR_JSON), 403)[0] == "forbidden"


def test_an_unforeseen_failure_tells_nothing(api, clerk, rx, monkeypatch):
    def broken(*args):
        raise RuntimeError("secret detail")

    monkeypatch.setattr("opticshop.exchange.exporting.version_of", broken)
    response = api(clerk).get(f"{R4}/VisionPrescription/{rx.id}")
    assert refused(response, 500)[0] == "exception"
    assert "secret" not in response.content.decode()
    assert response["X-Request-ID"]


@pytest.mark.parametrize(
    ("base", "version", "shape"), [(R4, "4.0.1", CapabilityStatement), (R5, "5.0.0", R5CapabilityStatement)]
)
def test_the_statement_lists_exactly_what_works(api, clerk, rx, base, version, shape):
    response = api(None).get(f"{base}/metadata")
    shape.model_validate_json(response.content)
    statement = response.json()
    assert (statement["fhirVersion"], statement["format"][0]) == (version, FHIR_JSON)
    assert statement["implementation"]["url"] == f"http://testserver{base}"
    (rest,) = statement["rest"]
    assert [one["code"] for one in rest["interaction"]] == ["transaction"]
    client, keys = api(clerk), {"Patient": rx.customer_id, "Practitioner": rx.id, "VisionPrescription": rx.id}
    tried = {
        "read": lambda kind: client.get(f"{base}/{kind}/{keys[kind]}"),
        "vread": lambda kind: client.get(f"{base}/{kind}/{keys[kind]}/_history/1"),
        "history-instance": lambda kind: client.get(f"{base}/{kind}/{keys[kind]}/_history"),
        "search-type": lambda kind: client.get(f"{base}/{kind}"),
        "create": lambda kind: client.post(f"{base}/{kind}", {}, format="json"),
        "update": lambda kind: client.put(f"{base}/{kind}/{keys[kind]}", {}, format="json"),
        "patch": lambda kind: client.patch(f"{base}/{kind}/{keys[kind]}", {}, format="json"),
        "delete": lambda kind: client.delete(f"{base}/{kind}/{keys[kind]}"),
    }
    assert {one["type"] for one in rest["resource"]} == set(RESOURCES)
    for one in rest["resource"]:
        works = {name for name, attempt in tried.items() if attempt(one["type"]).status_code not in {404, 405}}
        assert works == {interaction["code"] for interaction in one["interaction"]}, one["type"]
        for parameter in one.get("searchParam", ()):
            value = {"date": "2026", "token": "active" if parameter["name"] == "status" else "x"}.get(
                parameter["type"], "x"
            )
            answer = client.get(
                f"{base}/{one['type']}?{parameter['name']}={value}", headers={"prefer": "handling=strict"}
            )
            assert answer.status_code == 200, parameter


def test_the_releases_answer_alike(read, rx):
    """One mapping: what differs between the two bases is their address."""
    for path in (f"Patient/{rx.customer_id}", f"Practitioner/{rx.id}", f"VisionPrescription/{rx.id}"):
        assert read(path).content == read(path, base=R5).content


def test_expired_is_still_active_and_says_until_when(read, rx):
    """FHIR has no status for expired; the last day of use is an extension of ours."""
    Prescription.objects.everywhere("test").filter(pk=rx.pk).update(expires_on=dt.date(2026, 2, 1))
    body = read(f"VisionPrescription/{rx.id}").json()
    assert body["status"] == "active"
    assert {"url": "https://opticshop.example/fhir/StructureDefinition/valid-until", "valueDate": "2026-02-01"} in body[
        "extension"
    ]
