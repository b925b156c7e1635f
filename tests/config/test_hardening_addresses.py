"""Where an answer may lead, whose host it believes, what its file is called, and which methods there are.

RFC 9110 (methods, Host), RFC 6266 (file names), RFC 9700 2.1 (redirect URIs match exactly), OWASP cheat sheets.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.test import Client

from opticshop.accounts import services
from opticshop.core.actor import system
from tests.factories import CustomerFactory
from tests.whole_document import document

pytestmark = pytest.mark.django_db
ROOT = Path(__file__).resolve().parents[2]
BACK = "https://counter.example.org/back"
ELSEWHERE = [
    "https://elsewhere.example/",
    "//elsewhere.example",
    "///elsewhere.example",
    "/\\elsewhere.example",
    "https:elsewhere.example",
    "javascript:alert(1)",
    "\thttps://elsewhere.example",
    "https://testserver@elsewhere.example/",
    "https://testserver.elsewhere.example/",
]


@pytest.mark.parametrize("where", ELSEWHERE)
def test_signing_in_leads_nowhere_else(clerk, where):
    clerk.set_password("a long enough phrase")
    clerk.save()
    answer = Client().post("/sign-in/", {"username": "clerk", "password": "a long enough phrase", "next": where})
    assert answer.status_code == 302, answer.content[:300]
    assert not urlsplit(answer["Location"]).netloc
    assert answer["Location"].startswith("/")
    assert "elsewhere" not in urlsplit(answer["Location"]).path


@pytest.mark.parametrize(
    "back",
    [
        BACK + "/",
        BACK + "?next=x",
        BACK + "#x",
        BACK + ";x=1",
        BACK + "/../elsewhere",
        BACK.replace("https", "http"),
        BACK.replace("counter.", "counter.elsewhere."),
        BACK.replace("example.org", "example.org@elsewhere.example"),
        BACK.replace("example.org", "example.org:8443"),
        BACK.upper(),
        "",
        "javascript:alert(1)",
    ],
)
def test_a_code_goes_to_the_registered_address_and_no_other(clerk, back):
    client_id = services.staff_client_register(actor=system("test"), name="counter app", redirect_uris=[BACK])
    browser = Client()
    browser.force_login(clerk)
    asked = {
        "response_type": "code",
        "client_id": client_id,
        "scope": "customers:read",
        "code_challenge": "a" * 43,
        "code_challenge_method": "S256",
    }
    answer = browser.get("/oauth/authorize/", {**asked, "redirect_uri": back})
    if back == "" and answer.status_code == 302:  # left out, the only registered one is meant (RFC 6749, 3.1.2.3)
        assert answer["Location"].startswith(BACK)
    else:
        assert answer.status_code == 400, answer.headers.get("Location")


@pytest.mark.parametrize("header", ["Host", "X-Forwarded-Host"])
def test_no_answer_believes_a_made_up_host(api, clerk, mill, header):
    CustomerFactory.create_batch(3, branch=mill)
    for path in ("/api/v1/customers/?page_size=1", "/fhir/r4/metadata", "/sign-in/"):
        answer = api(clerk).get(path, headers={header: "elsewhere.example"})
        assert (
            b"elsewhere.example" not in answer.content.replace(b"elsewhere.example/", b"") or answer.status_code == 400
        )
        if header == "Host":
            assert answer.status_code == 400
        else:
            assert b"elsewhere" not in answer.content


@pytest.mark.parametrize("way", ["X-HTTP-Method-Override", "X-Method-Override", "X-HTTP-Method"])
def test_a_method_is_the_one_that_was_sent(api, clerk, mill, way):
    customer = CustomerFactory(branch=mill)
    answer = api(clerk).post(
        f"/api/v1/customers/{customer.id}/?_method=PATCH", {"note": "x", "_method": "PATCH"}, headers={way: "PATCH"}
    )
    assert answer.status_code == 405


def test_trace_and_made_up_methods_are_answered_405_and_echo_nothing(api, clerk):
    for path in ("/api/v1/customers/", "/fhir/r4/Patient", "/sign-in/"):
        for method in ("TRACE", "TRACK", "CONNECT", "PROPFIND"):
            answer = api(clerk).generic(method, path, headers={"X-Secret": "mark-of-mine"})
            assert answer.status_code in {403, 405}, (method, path)
            assert b"mark-of-mine" not in answer.content
    answer = api(None).options("/api/v1/customers/")
    assert answer.status_code == 401


def test_head_tells_what_get_tells_but_the_body(api, clerk, mill):
    url = f"/api/v1/customers/{CustomerFactory(branch=mill).id}/"
    got, asked = api(clerk).get(url), api(clerk).head(url)
    assert (asked.status_code, asked.content, asked["ETag"]) == (200, b"", got["ETag"])
    assert api(None).head(url).status_code == 401


def test_every_csv_goes_through_the_one_writer_that_guards_cells():
    """OWASP, CSV Injection. Plugins know nothing of the kernel, so those that write CSV guard it themselves."""
    answered = [
        path for path, item in document()["paths"].items() if "text/csv" in str(item.get("get", {}).get("responses"))
    ]
    assert len(answered) >= 6
    writers = {
        str(file.relative_to(ROOT))
        for base in ("opticshop", "plugins")
        for file in (ROOT / base).rglob("*.py")
        if "tests" not in file.parts and re.search(r"csv\.(writer|DictWriter)\(", file.read_text())
    }
    guards = {name for name in writers if re.search(r'"=", "\+", "-", "@", "\\t", "\\r"', (ROOT / name).read_text())}
    assert "opticshop/core/csv_text.py" in writers
    assert writers == guards
    for name in writers:
        assert name == "opticshop/core/csv_text.py" or name.startswith(("plugins/", "opticshop/pluginhost/skeletons/"))


def test_no_file_name_of_an_answer_is_made_of_what_somebody_typed():
    """Names of files in headers are made of numbers and keys; of a plugin only the ending, a constant."""
    names = set()
    for file in (ROOT / "opticshop").rglob("*.py"):
        if "migrations" in file.parts or "filename=" not in (text := file.read_text()):
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.JoinedStr) and "filename=" in ast.unparse(node):
                names |= {ast.unparse(each.value) for each in node.values if isinstance(each, ast.FormattedValue)}
    kinds = (
        r"[\w.]*(?:\.id|\.request_id|number|path\.name|row\.format|name|file_name)",
        ".*'txt' if .* else .*",
        "'attachment' if .* else 'inline'",
    )
    plain = re.compile("|".join(kinds))
    assert {name for name in names if not plain.fullmatch(name)} == set()
